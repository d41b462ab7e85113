"""A camera's place on the sky as text: the numbers, then the block for the setup file."""

from __future__ import annotations

from poleward.report.style import Signs, paragraph, with_sigma
from poleward.sky.orient import CameraFound


def camera_text(found: CameraFound, signs: Signs) -> str:
    """Return all that there is to say about a camera's place on the sky."""
    scale = with_sigma(found.scale_arcsec_per_pix, found.scale_sigma_arcsec_per_pix, signs)
    angle = with_sigma(found.position_angle_deg, found.position_angle_sigma_deg, signs)
    hand = (
        "MIRRORED: with north up, east is to the right" if found.mirrored else "not mirrored: as the eye sees"
    )
    lines = [
        f"One pixel is {scale} arcsec.",
        f"  up in the picture   {angle} deg from north, through east",
        f"  the picture         {hand}",
        f"  rows                y counted {found.rows}ward",
    ]
    if found.computed_scale_arcsec_per_pix is not None:
        off = 100 * (found.scale_arcsec_per_pix / found.computed_scale_arcsec_per_pix - 1)
        computed = f"{found.computed_scale_arcsec_per_pix:.4g} arcsec: {off:+.1f} %"
        lines.append(f"  as stated           one is {computed}")
    side = (
        "This holds for the side of the mount on which the tube is now. On the other side the picture stands on its "
        "head: say so with reversed = yes in the drift table."
    )
    blocks = ["\n".join(lines), paragraph(side)]
    blocks += [paragraph(f"note: {note.text}", "      ") for note in found.warnings]
    return "\n\n".join([*blocks, found.setup_block().rstrip()])
