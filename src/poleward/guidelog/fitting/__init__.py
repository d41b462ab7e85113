"""Sections to an axis error: corrections undone, noise, the joint fit.

In order: noise, correct, search, parts, drive, joint, fit, answer, guiding, knocks, season,
trace, logsolution, choose, together, night, runs.
"""
