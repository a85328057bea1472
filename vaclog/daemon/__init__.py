"""The daemon: threads that read, keep, analyse and lead, and the desk where taps are handed in."""

from vaclog.daemon.desk import Desk
from vaclog.daemon.listening import Keeper, Source, listen

__all__ = ["Desk", "Keeper", "Source", "listen"]
