# The board's firmware: chips -> sampler -> frame.
VERSION = "0.1.0"
