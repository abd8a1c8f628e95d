"""One module a page: its question, the sentence that answers, figures and lists. HTML stands in templates/."""
