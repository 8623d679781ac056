# Runs the facts of one file under whatever interpreter this is, and prints one
# line each. Used by test_both.py; both interpreters see the same files.
import sys

lib = sys.argv[1]
here = sys.argv[2]
name = sys.argv[3]
sys.path.insert(0, lib)
sys.path.insert(0, here)
if sys.implementation.name != "micropython":
    import time
    import types

    m = types.ModuleType("micropython")
    m.const = lambda x: x
    m.heap_lock = m.heap_unlock = lambda: None
    sys.modules["micropython"] = m
    time.ticks_ms = lambda: int(time.monotonic() * 1000) & 0x3FFFFFFF
    time.ticks_diff = lambda a, b: ((a - b + (1 << 29)) & 0x3FFFFFFF) - (1 << 29)

facts = __import__(name)
failed = 0
for fact in sorted(dir(facts)):
    if fact.startswith("test_"):
        try:
            getattr(facts, fact)()
            print("ok", fact)
        except Exception as e:
            failed += 1
            print("FAILED", fact)
            if hasattr(sys, "print_exception"):
                sys.print_exception(e)
            else:
                import traceback

                traceback.print_exc(file=sys.stdout)
sys.exit(1 if failed else 0)
