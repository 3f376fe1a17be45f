"""A board that is not there: MicroPython itself behind a pseudo-terminal, with littlefs on a flash that is a file."""
