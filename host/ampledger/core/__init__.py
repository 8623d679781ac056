"""
The pure core: arithmetic on values passed in.

Nothing below this package opens a port, a file or a page, or reads a clock
(`tests/unit/test_layers.py` reads the imports and says so). SI units
throughout; battery current is positive when charging.
"""
