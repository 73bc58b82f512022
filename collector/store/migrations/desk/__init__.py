"""Revisions of the desk."""
