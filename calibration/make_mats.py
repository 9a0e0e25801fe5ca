"""Write the print-ready mats: python calibration/make_mats.py [folder], by default calibration/mats."""

from __future__ import annotations

import sys
from pathlib import Path

from handcapture.documents import write_atomically
from handcapture.errors import HandcaptureError
from handcapture.mat.geometry import MATS
from handcapture.mat.printing import mat_pdf

MATS_FOLDER = Path(__file__).resolve().parent / "mats"


def make_mats(folder: Path) -> list[Path]:
    """Write every mat as <name>.pdf into the folder, which must exist, and return the files' paths."""
    paths = []
    for name, mat in MATS.items():
        path = folder / f"{name}.pdf"
        write_atomically(path, mat_pdf(mat))
        paths.append(path)
    return paths


if __name__ == "__main__":
    try:
        for written in make_mats(Path(sys.argv[1]) if len(sys.argv) > 1 else MATS_FOLDER):
            print(written)
    except HandcaptureError as error:
        print(error, file=sys.stderr)
        sys.exit(error.exit_code)
