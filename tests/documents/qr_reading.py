"""Reads a square code back from its dark and light squares, knowing nothing of how it was drawn.

From the rules of ISO/IEC 18004 as they are published in many places: versions 2 to 9, byte mode, no errors to mend.
"""

from __future__ import annotations

from collections.abc import Iterator

Matrix = list[list[bool]]

_MASKS = (
    lambda row, column: (row + column) % 2 == 0,
    lambda row, _: row % 2 == 0,
    lambda _, column: column % 3 == 0,
    lambda row, column: (row + column) % 3 == 0,
    lambda row, column: (row // 2 + column // 3) % 2 == 0,
    lambda row, column: row * column % 2 + row * column % 3 == 0,
    lambda row, column: (row * column % 2 + row * column % 3) % 2 == 0,
    lambda row, column: ((row + column) % 2 + row * column % 3) % 2 == 0,
)
# Data code words of each block at level Q, by version.
_BLOCKS_Q = {
    2: [22],
    3: [17] * 2,
    4: [24] * 2,
    5: [15] * 2 + [16] * 2,
    6: [19] * 4,
    7: [14] * 2 + [15] * 4,
    8: [18] * 4 + [19] * 2,
    9: [16] * 4 + [17] * 4,
}
_SECOND_ALIGNMENT = {2: [18], 3: [22], 4: [26], 5: [30], 6: [34], 7: [22, 38], 8: [24, 42], 9: [26, 46]}
_FORMAT_MASK, _LEVEL_Q = 0b101010000010010, 0b11


def read_square(matrix: Matrix) -> str:
    """The words in a square code of level Q. Fails where anything is not as the rules have it."""
    size = len(matrix)
    version = (size - 17) // 4
    around = [(8, column) for column in (0, 1, 2, 3, 4, 5, 7, 8)] + [(row, 8) for row in (7, 5, 4, 3, 2, 1, 0)]
    form = int("".join(str(int(matrix[row][column])) for row, column in around), 2) ^ _FORMAT_MASK
    assert form >> 13 == _LEVEL_Q, "not level Q"
    mask = _MASKS[form >> 10 & 0b111]
    bits = [matrix[row][column] ^ mask(row, column) for row, column in _path(size, version)]
    words = [int("".join(str(int(bit)) for bit in bits[at : at + 8]), 2) for at in range(0, len(bits) // 8 * 8, 8)]
    stream = "".join(f"{word:08b}" for word in _in_order(words, _BLOCKS_Q[version]))
    assert stream[:4] == "0100", "not in byte mode"
    count = int(stream[4:12], 2)
    return bytes(int(stream[12 + 8 * at : 20 + 8 * at], 2) for at in range(count)).decode("ascii")


def _in_order(words: list[int], lengths: list[int]) -> list[int]:
    blocks: list[list[int]] = [[] for _ in lengths]
    given = iter(words)
    for place in range(max(lengths)):
        for block, length in zip(blocks, lengths, strict=True):
            if place < length:
                block.append(next(given))
    return [word for block in blocks for word in block]


def _path(size: int, version: int) -> Iterator[tuple[int, int]]:
    """The squares that hold data, in the order in which it runs."""
    column, upwards = size - 1, True
    while column > 0:
        column -= column == 6  # the timing line
        for step in range(size):
            row = size - 1 - step if upwards else step
            yield from ((row, at) for at in (column, column - 1) if not _is_fixed(row, at, size, version))
        column, upwards = column - 2, not upwards


def _is_fixed(row: int, column: int, size: int, version: int) -> bool:
    corners = (row <= 8 and (column <= 8 or column >= size - 8)) or (row >= size - 8 and column <= 8)
    timing = 6 in (row, column)
    centres = [6, *_SECOND_ALIGNMENT[version]]
    last = centres[-1]
    aligned = any(
        abs(row - down) <= 2 and abs(column - across) <= 2
        for down in centres
        for across in centres
        if (down, across) not in ((6, 6), (6, last), (last, 6))
    )
    versions = version >= 7 and ((row < 6 and column >= size - 11) or (column < 6 and row >= size - 11))
    return corners or timing or aligned or versions
