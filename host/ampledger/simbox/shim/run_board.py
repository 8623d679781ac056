# What the board does at power-up: boot.py, then main.py, in one namespace.
# An error ends up on the serial line, as it does on the board; the watchdog
# then restarts it.
import sys

import boxlink

space = {"__name__": "__main__"}
try:
    for name in ("boot.py", "main.py"):
        with open(name) as f:
            exec(f.read(), space)
except Exception as e:
    sys.print_exception(e, sys.stdout)
while True:
    boxlink.call(90, 232, 3, 0)  # at the prompt: seconds go by
