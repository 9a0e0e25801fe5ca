"""Hands on the mat: landmarks, outlines, contacts and posture."""
