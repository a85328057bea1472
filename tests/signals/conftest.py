"""Lets the tests of this room import their made engines and recordings."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
