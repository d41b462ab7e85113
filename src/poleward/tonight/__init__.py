"""Is this axis good enough: targets, window, trail, exposure, forecast, check.

In order: targets, window, trail, exposure, forecast, outlook, axis_record, chance, checked, check, asked.
"""
