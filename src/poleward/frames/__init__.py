"""Camera frames to drifts: pictures, their stars, the field followed from frame to frame, its motion.

In order: image, keywords, moment, shot, pixels, onsky, gather, clean, stars, match, track, adjust, follow, motion,
own, trail, run, following, field_drift, framedrifts,
aims, asked, coming.
"""
