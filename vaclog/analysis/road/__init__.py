"""The road test: full-load runs, marks of pinking, and pinking heard in a sound recording."""
