# Files into and out of a flash image while no board runs on it:
# `flashtool.py IMAGE BLOCKS put|get|list`, for put with pairs of (name on the
# flash, file here), for get with one; a put name that ends in "/" makes a folder.
import os
import sys

import nor


def folders(name):
    parts = name.split("/")
    for i in range(1, len(parts)):
        try:
            os.mkdir("/".join(parts[:i]))
        except OSError:
            pass


def listed(folder):
    for name, kind, _, size in os.ilistdir(folder):
        path = (folder + "/" + name).lstrip("/")
        if kind == 0x4000:
            listed(path)
        else:
            print(size, path)


image, blocks, what = sys.argv[1:4]
# Files here stay open over the change of file systems.
pairs = [(sys.argv[i], open(sys.argv[i + 1], "wb" if what == "get" else "rb")) for i in range(4, len(sys.argv), 2)]
nor.mount(image, int(blocks))
if what == "list":
    listed("")
for name, here in pairs:
    if what == "put":
        folders(name)
        source, target = here, open(name, "wb")
    else:
        source, target = open(name, "rb"), here
    while True:
        piece = source.read(4096)
        if not piece:
            break
        target.write(piece)
    target.close()
