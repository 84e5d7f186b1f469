"""Reads registers.toml and writes what is made of it: C, Python, a document."""
