"""Sections to an axis error: corrections undone, noise, the joint fit.

In order: noise, correct, search, parts, drive, joint, fit, answer, guiding, trace,
logsolution, choose, night, runs.
"""
