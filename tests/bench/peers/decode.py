"""The six commonest families of messages, decoded as a script would: regular expressions and exact decimals.

decode.py FAMILY FILE: reads the bytes of FILE once, prints frames, readings, the sum of all values and the seconds
that it took, as JSON. Only the standard library.
"""

import json
import re
import sys
import time
from decimal import Decimal

VALUE_UNIT = re.compile(r"(R[a-z][a-z0-9]*) +(\d+\.\d{3}) (um)")
PLACES = [("Ra", 4, 12), ("Rz", 12, 20), ("Rt", 20, 28), ("Rq", 28, 36)]
SIGNED = re.compile(r"-?\d+\.\d+")
FIXED = re.compile(r"(\d{4})(\d{6})(\d{6})(R[A-Z0-9 ]{2})(\d{8})U(\d{4})(\d\d)([01])([A-Z]\d)")
FRAMED = re.compile(rb"\x02([^\x02\x03]*)\x03([0-9A-F]{2})\r\n")
QUANTITY_VALUE = re.compile(r"(R[a-z]+)=(\d+\.\d+)")
HEADING = re.compile(r"(\S+) \[(\S+)\]")
CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d:[0-5]\d")


def lines(data, end):
    for line in data.split(end):
        if line:
            yield line.decode("ascii")


def value_unit(data):
    for line in lines(data, b"\r\n"):
        found = VALUE_UNIT.fullmatch(line) if len(line) == 13 else None
        if found:
            yield [(found[1], Decimal(found[2]), found[3])]


def table_line(data):
    for line in lines(data, b"\r\n"):
        number = line[:4].strip()
        if not number.isdigit():
            continue
        texts = [(name, line[start:end].strip()) for name, start, end in PLACES]
        if all(SIGNED.fullmatch(text) for _, text in texts):
            yield [(name, Decimal(text), "um") for name, text in texts]


def key_value(data):
    for line in lines(data, b"\n"):
        fields = dict(pair.split("=", 1) for pair in line.split(";"))
        if not re.fullmatch(r"\d{4}", fields["N"]) or fields["OK"] not in "01" or "LC" not in fields or "NS" not in fields:
            continue
        yield [(fields["P"], Decimal(fields["V"]), fields["U"])]


def csv_rows(data):
    columns, seen = None, set()
    for line in data.decode("latin-1").split("\r\n"):
        cells = line.split(";")
        if cells[0] == "Nr":
            columns = [HEADING.fullmatch(cell).groups() for cell in cells[3:]]
        elif columns and cells[0].isdigit() and CLOCK.fullmatch(cells[1]):
            if (cells[0], cells[1]) in seen:
                continue
            seen.add((cells[0], cells[1]))
            yield [
                (quantity, Decimal(cell.replace(",", ".")), unit)
                for (quantity, unit), cell in zip(columns, cells[3:])
            ]


def framed(data):
    for payload, stated in FRAMED.findall(data):
        if sum(payload) & 0xFF != int(stated, 16):
            continue
        found = QUANTITY_VALUE.fullmatch(payload.decode("ascii"))
        if found:
            yield [(found[1], Decimal(found[2]), "um")]


def fixed_width(data):
    seen = set()
    for line in lines(data, b"\r"):
        found = FIXED.fullmatch(line)
        if not found:
            continue
        time.strptime(found[2] + found[3], "%y%m%d%H%M%S")
        if (found[1], found[3]) in seen:
            continue
        seen.add((found[1], found[3]))
        yield [(found[4].strip().capitalize(), Decimal(found[5]), "nm")]


FAMILIES = {
    "value and unit": value_unit,
    "line of a table": table_line,
    "keys and values": key_value,
    "rows of a CSV file": csv_rows,
    "STX, ETX and sum": framed,
    "fixed places": fixed_width,
}


def main():
    family, path = sys.argv[1:]
    with open(path, "rb") as file:
        data = file.read()
    began = time.perf_counter()
    frames = readings = 0
    total = Decimal(0)
    for record in FAMILIES[family](data):
        frames += 1
        for _, value, _ in record:
            readings += 1
            total += value
    seconds = time.perf_counter() - began
    print(json.dumps({"frames": frames, "readings": readings, "sum": str(total), "seconds": seconds}))


main()
