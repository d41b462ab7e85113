"""Sections to an axis error: corrections undone, noise, and an integral over what a log cannot tell.

In order: noise, forecast, correct, law, beliefs, parts, bouts, sieve, oddities, tables, integral, mixture, lattice, drive, posterior,
unlike, fit, doubts, answer, guiding, knocks, season, trace, logsolution, choose, survivors, together, fitnotes, night, crew, runs.
"""
