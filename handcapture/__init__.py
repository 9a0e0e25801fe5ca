"""Measure where ten fingertips rest, from a phone photo, and fit a button panel to them.

Data flows one way: photo, sighting of the mat, hands, contacts, rest, layout, drawings. Each stage is a
module; nothing here is imported until it is used, so that asking for the version stays quick.
"""

from handcapture.version import __version__

__all__ = ["__version__"]
