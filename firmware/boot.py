# The maintenance flag and nothing else. A watchdog that was started can't be
# stopped, so the host asks for maintenance, the board restarts, and this start
# leaves the app alone. The flag counts once: the next start is a normal one.
import os

try:
    os.remove("maintenance")
    maintenance = True
except OSError:
    maintenance = False
