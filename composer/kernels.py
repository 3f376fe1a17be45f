"""The few hot loops: laying light on light, and light onto the wire. Bare loops; shapes are checked by the callers.

Compiled by numba, and kept on disk: a second run of the program does not compile again.
"""

from __future__ import annotations

import numpy as np
from numba import njit

REPLACE, ADD, MAX = 0, 1, 2
CODE_STEPS = 1 << 14  # light codes 0-1 are looked up in this many steps; the widest changes the duty by 0.02 %


@njit(cache=True, nogil=True)
def lay(out, pixels, light, cover, opacity, first, mix):  # type: ignore[no-untyped-def]
    """Lay a clip onto the light of a group, in place.

    out      float32 (frames, rig pixels, 3), codes 0-1
    pixels   int32 (N,), the zone's pixels
    light    float32 (F or 1, N or 1, 3), codes 0-1
    cover    float32 (F or 1, N or 1), 0-1
    opacity  float32 (F,), 0-1
    first    the frame of `out` that the clip's first frame falls on
    mix      REPLACE: light over what lies below; ADD: added to it; MAX: the brighter of both, channel by channel
    """
    one = np.float32(1)
    light_step, cover_step = np.uint64(light.shape[1] > 1), np.uint64(cover.shape[1] > 1)
    for f in range(opacity.shape[0]):
        thick = opacity[f]
        if thick <= 0:
            continue
        below = out[first + f]
        above = light[f if light.shape[0] > 1 else 0]
        covers = cover[f if cover.shape[0] > 1 else 0]
        ln, cn = np.uint64(0), np.uint64(0)  # without a sign, so that no index is checked for counting from the end
        for n in range(pixels.shape[0]):
            share = covers[cn] * thick
            if share > 0:
                p = np.uint64(pixels[n])
                r, g, b = above[ln, 0], above[ln, 1], above[ln, 2]
                r0, g0, b0 = below[p, 0], below[p, 1], below[p, 2]
                if mix == REPLACE:
                    r, g, b = r0 + (r - r0) * share, g0 + (g - g0) * share, b0 + (b - b0) * share
                elif mix == ADD:
                    r, g, b = min(one, r0 + r * share), min(one, g0 + g * share), min(one, b0 + b * share)
                else:
                    r, g, b = max(r0, r * share), max(g0, g * share), max(b0, b * share)
                below[p, 0], below[p, 1], below[p, 2] = r, g, b
            ln += light_step
            cn += cover_step


@njit(cache=True, nogil=True)
def lay_shares(share_of, out, pixels, light, cover, opacity, cue, mix):  # type: ignore[no-untyped-def]
    """As `lay` for one frame, keeping what each clip contributes: `share_of` float32 (cues, rig pixels, 3).

    `opacity` is a number, light (1, N or 1, 3), cover (1, N or 1), out (1, rig pixels, 3). The contributions of a
    pixel's channel add up to its light, but for light that ADD cuts off at 1.
    """
    for n in range(pixels.shape[0]):
        share = cover[0, n if cover.shape[1] > 1 else 0] * opacity
        if share <= 0:
            continue
        p = pixels[n]
        ln = n if light.shape[1] > 1 else 0
        for c in range(3):
            own = light[0, ln, c] * share
            if mix == REPLACE:
                for other in range(cue):
                    share_of[other, p, c] *= np.float32(1) - share
                share_of[cue, p, c] = own
                out[0, p, c] = out[0, p, c] * (np.float32(1) - share) + own
            elif mix == ADD:
                share_of[cue, p, c] = own
                out[0, p, c] = min(np.float32(1), out[0, p, c] + own)
            elif own > out[0, p, c]:
                for other in range(cue):
                    share_of[other, p, c] = 0
                share_of[cue, p, c] = own
                out[0, p, c] = own


@njit(cache=True, nogil=True)
def to_wire(light, first_pixel, lit, order, duty_of, brightness, out, first_byte):  # type: ignore[no-untyped-def]
    """One string's light onto its bytes, in place.

    light        float32 (frames, rig pixels, 3), codes 0-1
    first_pixel  of the string within the rig
    lit          uint8 (pixels,), 0 for a pixel that stays dark
    order        int64 (3 or 4,): which of red, green, blue, white (0-3) each byte on the wire carries
    duty_of      float32 (CODE_STEPS + 1,): code -> duty 0-1
    brightness   0-1, scales the duty
    out          uint8 (frames, rig bytes)
    first_byte   of the string within a frame

    With four channels what red, green and blue share goes to white.
    """
    channels = order.shape[0]
    rgbw = np.zeros(4, np.float32)
    for f in range(light.shape[0]):
        at = first_byte
        for p in range(lit.shape[0]):
            if lit[p]:
                for c in range(3):
                    code = light[f, first_pixel + p, c]
                    step = int(code * CODE_STEPS + np.float32(0.5))
                    rgbw[c] = duty_of[min(max(step, 0), CODE_STEPS)]
                if channels == 4:
                    white = min(rgbw[0], rgbw[1], rgbw[2])
                    rgbw[3] = white
                    for c in range(3):
                        rgbw[c] -= white
                for c in range(channels):
                    out[f, at + c] = np.uint8(rgbw[order[c]] * brightness * np.float32(255) + np.float32(0.5))
            else:
                for c in range(channels):
                    out[f, at + c] = 0
            at += channels
