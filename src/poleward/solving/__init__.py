"""Timings to an axis error: model, least squares, what is determined, result, knobs.

In order: least_squares, determine, base, knobs, stated, fitted, solution, around, model, rivals, robust, estimate, slips,
how, solver, asked.
"""
