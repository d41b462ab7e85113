"""Camera frames to drifts: pictures, their stars, the field followed from frame to frame, its motion.

In order: image, keywords, moment, whereabouts, shot, pixels, onsky, gather, clean, stars, match, adjust, track, follow, motion,
own, trail, run, following, field_drift, framedrifts,
aims, asked, coming.
"""
