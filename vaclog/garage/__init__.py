"""The garage: engines, rigs and visits in one SQLite file.

Enters: cards as TOML text, visits (:mod:`vaclog.visit.records`), capture files. Leaves: the same,
lists of them, exports and backups. :class:`~vaclog.garage.garage.Garage` does by the same names
what ``vaclog garage`` does. One file, write-ahead logging, short immediate transactions: a reader
never holds up the writer, and a killed process loses nothing that it was told is kept.
"""

from vaclog.garage.garage import Garage
from vaclog.garage.lines import CaptureLine, CardRow, VisitLine
from vaclog.garage.place import garage_path

__all__ = ["CaptureLine", "CardRow", "Garage", "VisitLine", "garage_path"]
