"""The page on the phone: who may see it, what it is sent, and the files that it is made of."""
