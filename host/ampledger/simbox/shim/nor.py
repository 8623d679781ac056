# The board's flash as a block device: read from the image file, programmed
# and erased by the bench, which counts, checks and may cut the power there.
# Without the bench (flashtool.py) it writes the file itself.
BLOCK = 4096
PAGE = 256


class Nor:
    def __init__(self, path, blocks, link=None):
        self._file = open(path, "r+b")
        self._blocks = blocks
        self._link = link

    def readblocks(self, block, buf, off=0):
        self._file.seek(block * BLOCK + off)
        self._file.readinto(buf)

    def writeblocks(self, block, buf, off=0):
        at = block * BLOCK + off
        if self._link is None:
            self._file.seek(at)
            self._file.write(buf)
            return 0
        if at % PAGE or len(buf) % PAGE:
            return -22
        return -self._link(81, at // PAGE & 0xFF, at // PAGE >> 8, len(buf) // PAGE, buf)  # Q

    def ioctl(self, op, arg):
        if op == 4:
            return self._blocks
        if op == 5:
            return BLOCK
        if op == 6:
            if self._link is None:
                self._file.seek(arg * BLOCK)
                self._file.write(b"\xff" * BLOCK)
                return 0
            return -self._link(69, arg & 0xFF, arg >> 8, 0)  # E
        return 0


def mount(path, blocks, link=None):
    """As the rp2 port's _boot.py: what can't be mounted is formatted. Only this file system is there afterwards."""
    import os
    import sys

    import vfs

    bdev = Nor(path, blocks, link)
    try:
        fs = vfs.VfsLfs2(bdev, progsize=PAGE)
    except OSError:
        vfs.VfsLfs2.mkfs(bdev, progsize=PAGE)
        fs = vfs.VfsLfs2(bdev, progsize=PAGE)
    vfs.umount("/")
    vfs.mount(fs, "/")
    os.chdir("/")
    sys.path[:] = ["", ".frozen", "/lib"]
