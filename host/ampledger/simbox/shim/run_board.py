# What the board does at power-up: mount the flash, then boot.py and main.py in
# one namespace, then the prompt. An error ends up on the serial line, as it
# does on the board; a watchdog that was started goes on there.
import os
import select  # noqa: F401
import sys
import time  # noqa: F401

# All that stands in for the board is loaded while the files of this side can be seen.
import boxlink  # noqa: F401
import machine  # noqa: F401
import onewire  # noqa: F401
import prompt

if os.getenv("AMPLEDGER_DISPLAY"):
    import ssd1306  # noqa: F401
_script = None
if os.getenv("AMPLEDGER_SCRIPT"):
    with open(os.getenv("AMPLEDGER_SCRIPT")) as _file:
        _script = _file.read()
if os.getenv("AMPLEDGER_FLASH"):
    import nor

    nor.mount(os.getenv("AMPLEDGER_FLASH"), int(os.getenv("AMPLEDGER_BLOCKS")), boxlink.flash)

_raw = os.getenv("AMPLEDGER_RAW") == "1"
_awake = bool(os.getenv("AMPLEDGER_ECHO"))
space = {"__name__": "__main__"}
try:
    if _script is not None:
        exec(_script, space)
    else:
        # At a restart out of the raw prompt a board runs boot.py only.
        for _name in ("boot.py",) if _raw else ("boot.py", "main.py"):
            try:
                _file = open(_name)
            except OSError:
                continue
            with _file:
                _source = _file.read()
            exec(_source, space)
except SystemExit:
    boxlink.call(88, 1, 0, 0)  # X: soft
except KeyboardInterrupt as e:
    _awake = True
    sys.print_exception(e, sys.stdout)
except BaseException as e:
    sys.print_exception(e, sys.stdout)
prompt.main(space, _raw, _awake)
