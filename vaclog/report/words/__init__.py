"""The words of the report, one module for each thing that is told.

Enters: a result, or a part of it, and a unit. Leaves: headings, phrases and sentences that text,
page, picture and speech share; nothing here knows what they are put on. How a quantity is written
stands in :mod:`~vaclog.report.words.quantities`.
"""
