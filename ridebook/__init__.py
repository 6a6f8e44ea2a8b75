"""Ridebook: the last pass of a vocal mix, ridden section by section, phrase by phrase, word by word."""

__version__ = "0.1.0"
