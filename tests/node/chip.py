"""For MicroPython: a simulated NOR flash chip with LittleFS on it, at /chip, whose power can be cut and whose blocks
can become unreadable."""

import vfs

BLOCK = 4096


class Chip:
    """`blocks` blocks of BLOCK bytes; `left` programs until the power is cut (-1: never); `bad` ones cannot be read."""

    def __init__(self, blocks):
        self.data = bytearray(b"\xff" * BLOCK * blocks)
        self.left, self.programs, self.erased = -1, 0, [0] * blocks
        self.bad, self.failed_reads = set(), 0

    def readblocks(self, block, into, offset=0):
        if block in self.bad:
            self.failed_reads += 1
            return -5  # EIO: as a driver tells LittleFS
        at = block * BLOCK + offset
        into[:] = memoryview(self.data)[at : at + len(into)]
        return 0

    def writeblocks(self, block, data, offset=0):
        at = block * BLOCK + offset
        if self.left == 0:
            half = len(data) // 2
            self.data[at : at + half] = data[:half]
            raise OSError(5)
        self.left -= 1
        self.programs += 1
        self.data[at : at + len(data)] = data

    def ioctl(self, what, block):
        if what == 4:
            return len(self.data) // BLOCK
        if what == 5:
            return BLOCK
        if what == 6:
            if self.left == 0:
                raise OSError(5)
            self.erased[block] += 1
            at = block * BLOCK
            self.data[at : at + BLOCK] = b"\xff" * BLOCK
        return 0


def mounted(chip, new=False):
    if new:
        vfs.VfsLfs2.mkfs(chip)
    vfs.mount(vfs.VfsLfs2(chip), "/chip")
