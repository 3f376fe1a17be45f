"""The states of exporters/LINK.md section 2, and their words."""

IDLE, CUED, PLAYING, PAUSED, LOST, LIVE, WIRING = 0, 1, 2, 3, 4, 5, 6
STATES = (b"idle", b"cued", b"playing", b"paused", b"lost", b"live", b"wiring")
