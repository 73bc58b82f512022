"""The REST API over the book (read-only here) and the desk (written only here)."""
