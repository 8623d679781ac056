# The prompt, as far as tools speak to it: Ctrl-A raw, Ctrl-B friendly, Ctrl-C,
# Ctrl-D run or restart, raw paste with its window. Code is run by the interpreter
# itself. The box's time goes on while the prompt waits.
import sys

import boxlink

_RAW = "raw REPL; CTRL-B to exit\r\n>"
_BANNER = "MicroPython (on the bench); " + sys.version + '\r\nType "help()" for more information.\r\n>>> '
_WINDOW = 128
_count = bytearray(1)
_buffer = bytearray(256)
_view = memoryview(_buffer)
_n = 0
_at = 0


def _out(text):
    sys.stdout.write(text)


def _byte():
    """The next byte of the host."""
    global _n, _at
    while _at == _n:
        boxlink.call(80, 232, 3, 1, _count)  # P: a second at most, then again
        _n = _count[0]
        _at = 0
        if _n:
            sys.stdin.buffer.readinto(_view[:_n])
    _at += 1
    return _buffer[_at - 1]


def _interrupts(on):
    boxlink.tell(73, 1 if on else 0, 0, 0)  # I: whether Ctrl-C interrupts or is a byte like others


def _restart(raw):
    _out("\r\nMPY: soft reboot\r\n")
    boxlink.call(88, 2 if raw else 1, 0, 0)  # X


def _run(source, space, raw):
    _interrupts(True)
    error = None
    try:
        if raw:
            exec(source, space)
        else:
            try:
                value = eval(source, space)
            except SyntaxError:
                exec(source, space)
            else:
                if value is not None:
                    print(repr(value))
    except SystemExit:
        _interrupts(False)
        _restart(False)
    except BaseException as e:
        error = e
    _interrupts(False)
    if raw:
        _out("\x04")
    if error is not None:
        sys.print_exception(error, sys.stdout)
    if raw:
        _out("\x04>")


def _paste(space):
    """Code in windows: the tool sends one for each 1 it gets, and is told that all has come."""
    _out("R\x01%c\x00\x01" % _WINDOW)
    source = bytearray()
    left = _WINDOW
    while True:
        b = _byte()
        if b == 3:
            _out("\x04\x04\x04>")
            return
        if b == 4:
            break
        source.append(b)
        left -= 1
        if not left:
            left = _WINDOW
            _out("\x01")
    _out("\x04")
    text = bytes(source).decode()
    source = None
    _run(text, space, True)


def _raw(space):
    """One stay in the raw prompt."""
    source = bytearray()
    while True:
        b = _byte()
        if b == 1:
            _out(_RAW)
            source = bytearray()
        elif b == 2:
            return
        elif b == 3:
            source = bytearray()
        elif b == 4:
            _out("OK")
            if not source:
                _restart(True)
            text = bytes(source).decode()
            source = bytearray()
            _run(text, space, True)
        elif b == 5 and not source:
            _byte(), _byte()  # "A" and 1
            _paste(space)
        else:
            source.append(b)


def _friendly(space, awake):
    """
    One stay in the friendly prompt. Not `awake`, it says nothing and runs
    nothing until a tool shows itself by a control character.
    """
    if awake:
        _out(_BANNER)
    line = bytearray()
    while True:
        b = _byte()
        if b == 1:
            return
        if b < 4 and not awake:
            awake = True
            _out(_BANNER)
        elif b == 2:
            line = bytearray()
            _out("\r\n" + _BANNER)
        elif b == 3 or b == 13:
            text = bytes(line).decode()
            line = bytearray()
            if awake:
                _out("\r\n")
                if b == 13 and text.strip():
                    _run(text, space, False)
                _out(">>> ")
        elif b == 4:
            if not line:
                _restart(False)
        elif b == 8 or b == 127:
            if line:
                line = line[:-1]
                _out("\x08 \x08")
        elif b >= 32 and awake:
            line.append(b)
            _out(chr(b))


def main(space, raw, awake):
    boxlink.tell(73, 0, 1, 0)  # I: at the prompt, and Ctrl-C a byte
    if raw:
        _out(_RAW)
    while True:
        if not raw:
            _friendly(space, awake)
            _out(_RAW)
        raw = False
        awake = True
        _raw(space)
        _out("\r\n")
