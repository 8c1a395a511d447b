"""An example of host software, on python3-serial: reads the gauges of a job,
judges, and keeps its records as CSV with semicolons and decimal commas, or, where
the name ends so, in a worksheet (.xlsx, on python3-openpyxl), or, where it is the
URL of one, in the table sizes of a PostgreSQL database (on python3-psycopg2).

    sizes.py JOB RECORDS        JOB: the harness's job file

Speaks line-ascii, multi-ascii and compact-binary. Numbers are fractions, never
binary floats.
"""
import binascii, datetime, json, os, re, signal, sys, threading, time
from decimal import Decimal
from fractions import Fraction
from math import ceil, floor

import serial

try:
    from termios import error  # python3-serial 3.5 raises it where a port goes away while it is opened
    GONE = OSError, error
except ImportError:
    GONE = OSError
PM = {"mm": 10**9, "in": 254 * 10**8, "µm": 10**6}  # picometres in a unit
WORDS = ("too small", "near lower", "good", "near upper", "too large", "not proven")
READING = re.compile(r"(?:(\d+):)?([+-]\d[\d.]*|\S{10}) ?(mm|in) ?[1-6]")
COMMANDS = {
    "line-ascii": {"identify": "I", "zero": "Z", "preset": "P {to}", "clear": "C", "stream-on": "S1", "stream-off": "S0", "": "W {setting}={to}"},
    "multi-ascii": {"zero": "ZERO", "stream-on": "GO", "stream-off": "STOP"},
    "compact-binary": {"identify": "\x88", "zero": "\x82", "preset": "\x83{to}", "clear": "\x84", "stream-on": "\x85\x01", "stream-off": "\x85\x00", "": "\x86{setting}={to}"},
}


def line_frames(buf, xor):
    """Yields (tag, low, readings) of the whole lines in buf, or a reply's word."""
    while (n := buf.find(b"\n")) >= 0:
        line = bytes(buf[:n]).strip(b"\r").decode("latin-1")
        del buf[: n + 1]
        body, star, check = line.rpartition("*")
        if not star:
            if line[:2] in ("OK", "NO", "ER", "I "):
                yield line
            continue
        total = 0
        for c in (body + star).encode("latin-1"):
            total = total ^ c if xor else total + c & 0xFF
        if f"{total:02X}" != check:
            continue
        tag = re.search(r"(?:^| )T(\d+) ", body)
        reads = [(int(ch or 1) - 1, number(text), unit) for ch, text, unit in READING.findall(body)]
        yield int(tag[1]) if tag else None, body.endswith(" L") if xor else None, reads


def number(text):
    return Fraction(text) if text.lstrip("+-")[:1].isdigit() else None


def binary_frames(buf):
    while (start := buf.find(b"\xA5")) >= 0:
        del buf[:start]
        if len(buf) < 2 or len(buf) < 2 + buf[1]:
            return
        frame = bytes(buf[: 2 + buf[1]])
        if len(frame) < 5 or binascii.crc_hqx(frame[:-2], 0xFFFF) != int.from_bytes(frame[-2:], "big"):
            del buf[:1]  # look for the next start inside what seemed a frame
            continue
        del buf[: len(frame)]
        if frame[2] in (2, 3):
            yield "OK" if frame[2] == 2 else "NO"
        elif frame[2] == 5:
            yield "I " + frame[3:-2].decode("latin-1")
        elif frame[2] == 1:
            state, count = frame[3], int.from_bytes(frame[4:8], "big", signed=True)
            void = count == 0x7FFFFFFF or count <= -0x7FFFFFFD
            unit, scale = ("in", 10**6) if state & 8 else ("mm", 10**5)
            tag = int.from_bytes(frame[8:10], "big") if state & 32 else None
            yield tag, bool(state & 16), [(0, None if void else Fraction(count, scale), unit)]


class Port(serial.Serial):
    def _reset_input_buffer(self):
        """Opening throws away what has arrived, which may be a tag; not here."""


class Gauge(threading.Thread):
    def __init__(self, job, spec, book):
        super().__init__()
        self.job, self.spec, self.book = job, spec, book
        self.dialect = re.search(r"([\w-]+)\.yaml$", spec["dialect"])[1]
        self.here = self  # the gauge that is at this one's port
        self.low, self.seen, self.ready = False, {}, threading.Event()
        baud, form = spec["serial-line"].split()
        self.line = dict(baudrate=int(baud), bytesize=int(form[0]), parity=form[1], stopbits=float(form[2:]), timeout=0.02)

    def run(self):
        writes, again = list(self.spec.get("writes", [])), False
        while not stop.is_set():
            try:
                port = Port(self.spec["port"], **self.line)
            except GONE:
                stop.wait(0.02)
                continue
            # Gauges may come back at each other's port: only they can say who is there.
            who = [{"verb": "identify"}] if again and len(gauges) > 1 and "identify" in COMMANDS[self.dialect] else []
            if again and not who:
                self.book(self.here, what="online")
            again = True
            try:
                with port:
                    self.serve(port, who or writes, [] if who else None, writes)
            except GONE:
                self.book(self.here, what="offline")

    def serve(self, port, writes, held, after):
        """Writes what is to be written and takes what comes, held back until it is known from whom."""
        buf, asked = bytearray(), 0.0
        while True:
            if writes and time.monotonic() - asked > 1:
                port.write(self.command(writes[0]))
                asked = time.monotonic()
            if not writes:
                self.ready.set()
            got = port.read(max(1, port.in_waiting))
            if not got and stop.is_set() and (held is None or time.monotonic() - asked > 0.5):
                return  # who is there is waited for, but not for ever
            buf += got
            for f in binary_frames(buf) if self.dialect == "compact-binary" else line_frames(buf, self.dialect == "line-ascii"):
                if held is not None and isinstance(f, str) and f.startswith("I "):
                    self.here = next(g for g in gauges if g.spec["serial"] == f.split(",")[1])
                    self.book(self.here, what="online")
                    for h in held:
                        self.here.take(*h)
                    held, writes, asked = None, after, 0.0
                elif isinstance(f, str):  # a reply; one that refuses is asked again
                    if held is None and writes and f == "OK":
                        writes.pop(0)
                        asked = 0.0
                elif held is not None:
                    held.append(f)
                else:
                    self.here.take(*f)

    def command(self, w):
        text = COMMANDS[self.dialect][w.get("verb", "")].format(to=w.get("to", ""), setting=w.get("setting", "")).encode("latin-1")
        if self.dialect != "compact-binary":
            return text + b"\r\n"
        frame = bytes([0xA5, len(text) + 2]) + text
        return frame + binascii.crc_hqx(frame, 0xFFFF).to_bytes(2, "big")

    def take(self, tag, low, reads):
        if low and not self.low:
            self.book(self, what="battery")
        self.low = self.low if low is None else low
        if tag is None:
            if self.job["keeps"] == "all":
                for r in reads:
                    self.book(self, *r)
            return
        window = float(self.spec["tags"]["window"].split()[0])
        before, at = self.seen.get(tag, (None, 0))
        self.seen[tag] = reads, time.monotonic()
        if before == reads and time.monotonic() - at <= window:
            return  # the same tag once more
        for r in reads:
            self.book(self, *r, tag)


class Book:
    """The records. Every row is on disk before the next frame is looked at."""

    def __init__(self, job, name):
        self.job, self.lock = job, threading.Lock()
        self.file = open(name, "a", encoding="utf-8", buffering=1, newline="")
        if self.file.tell() == 0:  # what an earlier start has recorded stays
            self.file.write("when;station;point;no;size;unit;verdict;what\r\n")

    def add(self, when, station, point, no, size, unit, verdict, what):
        when = when.strftime("%d.%m.%Y %H:%M:%S,%f")
        self.file.write(f"{when};{station};{point};{no};{size.replace('.', ',')};{unit};{verdict};{what}\r\n")

    def __call__(self, gauge, channel=None, value=None, unit="mm", tag="", what="size"):
        size, verdict, point = "", "", ""
        if what == "size":
            point, verdict = gauge.spec["channels"][channel]["name"], "none"
            if value is not None:
                size, verdict = self.judge(gauge.spec["channels"][channel], value * PM[unit])
        now = datetime.datetime.now(datetime.timezone.utc)
        with self.lock:
            self.add(now, gauge.spec["name"], point, tag, size, self.job["unit"], verdict, what)

    def judge(self, ch, pm):
        job = self.job
        step = Decimal(job["resolution"])
        exact = pm / (Fraction(step) * PM[job["unit"]])
        steps = {"half-even": round, "truncate": int, "half-to-plus": lambda x: floor(x + Fraction(1, 2)),
                 "half-down": lambda x: ceil(abs(x) - Fraction(1, 2)) * (1 if x >= 0 else -1)}.get(job["rounding"], lambda x: int(abs(x) + Fraction(1, 2)) * (1 if x >= 0 else -1))(exact)
        shown = step * steps
        judged = pm if job["decide"] == "unrounded" else Fraction(shown) * PM[job["unit"]]
        guard, strict = Fraction(job["guard"]) * PM[job["unit"]], job["limits-are"] == "strict"
        at = lambda name: Fraction(ch[name]) * PM[ch["limits-unit"]]
        for name, side, move, word in (("lower", 1, guard, 0), ("upper", -1, guard, 4), ("warn-lower", 1, 0, 1), ("warn-upper", -1, 0, 3)):
            if name in ch:
                inside = (judged - at(name)) * side - move
                if inside < 0 or strict and inside == 0:
                    outside = inside + 2 * move
                    if move and job.get("unproven") and (outside > 0 or outside == 0 and not strict):
                        return format(shown, "f"), WORDS[5]
                    return format(shown, "f"), WORDS[word]
        return format(shown, "f"), WORDS[2]


class Sheet(Book):
    """The records as a protocol for people: a title, and a header of two rows with merged cells."""

    def __init__(self, job, name):
        self.job, self.lock, self.name = job, threading.Lock(), name
        if os.path.exists(name):
            self.book = openpyxl.load_workbook(name)
            self.rows = self.book["Sizes"]
            return
        self.book = openpyxl.Workbook()
        self.book.active.title = "Cover"
        self.rows = self.book.create_sheet("Sizes")
        self.rows["B2"] = "Protocol of the line"
        self.rows["B4"], self.rows["F4"] = "Reading", "Result"
        self.rows.merge_cells("B4:E4")
        self.rows.merge_cells("F4:H4")
        for i, word in enumerate(("when", "station", "point", "no", "size", "unit", "verdict", "what")):
            self.rows.cell(5, 2 + i, word)
        self.save()

    def add(self, when, station, point, no, size, unit, verdict, what):
        row = self.rows.max_row + 1
        # A number of a worksheet is a binary one: the nearest to the size.
        cells = (when.replace(tzinfo=None), station, point, no or None, float(size) if size else None, unit, verdict, what)
        for i, value in enumerate(cells):
            self.rows.cell(row, 2 + i, value)
        self.save()

    def save(self):
        """Written beside and put in its place, so that it is whole at every instant."""
        self.book.save(self.name + "~")
        os.replace(self.name + "~", self.name)


class Store(Book):
    """The records in a database. Each row is committed before the next frame is looked at."""

    def __init__(self, job, name):
        self.job, self.lock = job, threading.Lock()
        self.db = psycopg2.connect(name)
        self.db.autocommit = True
        self.rows = self.db.cursor()

    def add(self, *cells):
        self.rows.execute("insert into sizes (made, station, point, no, size, unit, verdict, what) values (%s, %s, %s, %s, %s, %s, %s, %s)",
                          [None if c == "" else c for c in cells])


stop = threading.Event()
signal.signal(signal.SIGTERM, lambda *_: stop.set())
with open(sys.argv[1], encoding="utf-8") as f:
    JOB = json.load(f)
if sys.argv[2].endswith(".xlsx"):
    import openpyxl
if sys.argv[2].startswith("postgres:"):
    import psycopg2
book = (Sheet if sys.argv[2].endswith(".xlsx") else Store if sys.argv[2].startswith("postgres:") else Book)(JOB, sys.argv[2])
gauges = [Gauge(JOB, g, book) for g in JOB["gauges"]]
for g in gauges:
    g.start()
for g in gauges:
    g.ready.wait()
print("all gauges are set", flush=True)
for g in gauges:
    g.join()
