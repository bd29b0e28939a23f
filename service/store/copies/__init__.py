"""Copies of a whole database: taken while others write, kept as one file, and put in place whole or not at all."""
