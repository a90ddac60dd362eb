"""Figures, write-up and film of a reviewed flight."""
