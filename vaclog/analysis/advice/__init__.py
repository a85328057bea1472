"""Where to set, which limit decides, and in which words."""
