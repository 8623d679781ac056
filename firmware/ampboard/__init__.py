# The board's firmware: chips -> sampler -> frame.
VERSION = "0.3.0"
BUILT_UNIX_S = 1795564800  # 2026-11-25: a satellite receiver that shows an earlier date has no fix
