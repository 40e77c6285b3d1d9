"""Satellites from the stream's own ephemerides: where they are, where the base really is, what the sky will do."""
