"""Spareshaft: temporary shafts for the shaft drawloom, planned and instructed."""

__version__ = "0.1.0"
