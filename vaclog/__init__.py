"""vaclog: ignition timing by the vacuum method, with an honest uncertainty."""

__version__ = "0.1.0"
