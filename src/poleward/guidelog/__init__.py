"""Guide logs: how they are written (layout), reading them, undoing the corrections, and the fit."""
