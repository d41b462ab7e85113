"""Sections to an axis error: corrections undone, noise, and an integral over what a log cannot tell.

In order: noise, correct, beliefs, parts, tables, integral, mixture, lattice, drive, fit, answer, guiding, knocks,
season, trace, logsolution, choose, survivors, together, night, runs.
"""
