"""One result, told in several ways: text, page, picture, sentences to speak.

Enters: a :class:`~vaclog.result.Result` and the unit of pressure that the reader wants. Leaves:
strings and files. Nothing here reads a capture, a card or a clock, so the same result always
gives the same bytes.
"""
