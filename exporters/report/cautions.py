"""What must not be overlooked where hands and eyes can be hurt: the same words on every page."""

from __future__ import annotations

CAUTIONS = (
    ("Mains", "What lies on the mains side of a supply (plugs, terminals, earth) is for a licensed electrician. Unplug "
     "before you open anything, and cover bare terminals."),
    ("Fuses", "One fuse for each feed, near the supply, small enough to protect its thinnest wire. These figures "
     "say what the show draws; they do not replace a fuse."),
    ("Enclosures and wet places", "Outdoors, use supplies, boxes and connectors rated for the place, with "
     "residual-current protection (RCD, GFCI) ahead of them, and let hot supplies breathe."),
    ("Thin wires", "Low volts do not mean low currents. A thin wire or a poor connector can overheat and start a fire "
     "long before a 5 V supply notices. Look for heat at the first long run, and never leave that run alone."),
    ("Photosensitive viewers", "Flashing light can bring on seizures. The audit counts flashes by WCAG 2.3.1, written "
     "for screens, by analogy; it is not a medical judgement. Tell people beforehand and be able to go dark at once."),
    ("Who decides", "All of this is worked out from the show's bytes and the rig file, not measured. Local code and "
     "licensed people have the last word."),
)  # fmt: skip


def cautions() -> str:
    """The cautions as HTML."""
    items = "".join(f"<li><b>{head}.</b> {text}</li>" for head, text in CAUTIONS)
    return f'<h2>Before you plug it in</h2><ul class="plain">{items}</ul>'
