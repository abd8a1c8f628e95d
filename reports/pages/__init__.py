"""One module a page: what the page asks, the sentence that answers, its figures and lists. HTML stands in templates/."""
