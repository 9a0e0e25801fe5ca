"""Makes the scripts of calibration/ importable."""

import sys
from pathlib import Path

CALIBRATION = Path(__file__).resolve().parent.parent / "calibration"
if str(CALIBRATION) not in sys.path:
    sys.path.insert(0, str(CALIBRATION))
