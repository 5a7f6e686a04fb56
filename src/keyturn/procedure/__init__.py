"""Stages, hold points, open items and the load ladder."""
