"""The mat: its geometry and its print, and its sighting in a photo."""
