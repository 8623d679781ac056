# `maintenance` comes from boot.py, which runs in the same namespace.
if not maintenance:  # noqa: F821
    __import__("ampboard.app").app.run()
