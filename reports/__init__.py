"""Published tables in, pages out. Nothing here reads a workspace or computes a result of its own."""
