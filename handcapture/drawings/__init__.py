"""Drawings of a layout and of what was measured."""
