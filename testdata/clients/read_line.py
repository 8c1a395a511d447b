"""Reads the line-ascii dialect with python3-serial.

    read_line.py PORT COUNT

Asks for COUNT readings and prints each number and its unit. A line whose
check does not match is refused.
"""
import sys

import serial


def reading(line):
    body, star, check = line.rstrip("\r\n").rpartition("*")
    xor = 0
    for c in (body + star).encode("ascii"):
        xor ^= c
    if f"{xor:02X}" != check:
        raise ValueError(f"the check of {line!r} is not {xor:02X}")
    words = body.split()
    return words[1], words[2]


def main():
    port, count = sys.argv[1], int(sys.argv[2])
    with serial.Serial(port, 9600, timeout=5) as s:
        for _ in range(count):
            s.write(b"N\r\n")
            line = s.readline().decode("ascii")
            if not line.endswith("\r\n"):
                raise TimeoutError("no answer")
            print(*reading(line))


main()
