"""Hubtack: is GNSS positioning on this site good enough to cut grade, and if not, why not?"""

__version__ = "0.1.0"
