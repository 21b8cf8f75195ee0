"""Parallel blockout of dental casts for removable partial denture frameworks."""

__version__ = "0.1.0"
