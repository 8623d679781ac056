# Run by the bench in place of the firmware's own start: the sampler on the
# full chip models, register by register, with the heap locked; whatever chips
# the bench's board has.
import sys

try:
    import time

    import micropython
    from ampboard import chips, config, i2cbus, wire
    from ampboard.ring import Ring
    from ampboard.sampler import Clock, Sampler

    i2c = i2cbus.open_bus(config)
    clock = Clock()
    sampler = Sampler([chips.make(i2c, spec, config.SAMPLE_MS) for spec in config.CHANNELS], clock)
    ring = Ring(64)
    buf = bytearray(wire.MAX_RAW)
    out = bytearray(wire.MAX_FRAME + 4)
    boot = b"\x01\x02\x03\x04"
    for _ in range(10):  # until the first conversions have finished
        time.sleep_ms(config.SAMPLE_MS)
        clock.update()
        sampler.step()
    sampler.close(buf, wire.HEAD, boot, 0, True)
    micropython.heap_lock()
    for i in range(1000):
        time.sleep_ms(config.SAMPLE_MS)
        clock.update()
        sampler.step()
        if i % 10 == 9:
            sampler.close(buf, wire.HEAD, boot, i, True)
            ring.append(buf, wire.HEAD, i)
            # everything of a frame but its CRC, which takes 32 bytes
            wire.cobs_into(buf, wire.MAX_RAW, out, 1)
    micropython.heap_unlock()
    r = wire.take_reading(bytes(buf[wire.HEAD : wire.HEAD + wire.READING_SIZE]))
    print("done 1000 samples, 100 records, n", r.channels[1].n)
except BaseException as e:
    sys.print_exception(e, sys.stdout)
