"""The commands. Thin: each reads its arguments, calls the library and prints.

Results go to stdout, progress and messages to stderr. Exit codes: 0 an answer, "not found"
included; 1 some other failure; 2 wrong use of a command; 3 a card; 4 a capture; 5 a port;
6 storage. Modules here import what is heavy only inside their functions, so that ``--help``
stays instant.
"""

from vaclog.cli.main import main

__all__ = ["main"]
