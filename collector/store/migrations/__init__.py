"""How the tables came to be: one file a revision, in `book/` and `desk/`; never changed once released."""
