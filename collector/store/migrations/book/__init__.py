"""Revisions of the book."""
