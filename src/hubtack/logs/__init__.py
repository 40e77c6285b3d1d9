"""Logs on disk: which files make a session, where one ends, and how they are driven through it."""
