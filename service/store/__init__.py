"""Rows and how they are read and written. Functions take a Session first and never commit."""
