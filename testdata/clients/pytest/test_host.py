"""Tests of a host in Python, as one would write them: the host is the function below.

    understudy host pytest > understudy_pytest.py
    python3 -m pytest
"""
import csv, functools, operator

import pytest, serial


def host(job, stop, near=("warn-low", "warn-high")):
    """Records the tags of a gauge that speaks line-ascii, with the gauge's own verdict."""
    zones = ["below", near[0], "inside", near[1], "above", "void"]
    gauge = job["gauges"][0]
    with serial.Serial(gauge["port"], 9600, timeout=0.02) as port, open(job["records"], "w", newline="", buffering=1) as f:
        rows = csv.writer(f)
        rows.writerow(["gauge", "tag", "value", "unit", "zone"])
        buffer = b""
        while not stop.is_set():
            buffer += port.read(port.in_waiting or 1)
            *lines, buffer = buffer.split(b"\n")
            for line in lines:
                body, _, check = line.strip().rpartition(b"*")
                if int(check, 16) == functools.reduce(operator.xor, body + b"*") and body[:1] == b"T":
                    tag, value, unit, zone = body[1:].split()[:4]
                    rows.writerow([gauge["name"], tag.decode(), value.decode(), unit.decode(), zones[int(zone) - 1]])


@pytest.mark.parametrize("scenario", ["in-the-middle", "on-every-limit"])
def test_tags_and_zones(understudy, scenario):
    run = understudy(scenario, func=host, records=RECORDS)
    assert run["verdict"] == "pass"


RECORDS = {"form": "csv", "columns": {"gauge": "gauge", "tag": "tag", "value": "value", "unit": "unit", "zone": "zone"}}
