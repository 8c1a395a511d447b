"""The example host in Python, made slow: it stays correct, and takes its time.

    slow.py SIZES JOB RECORDS SEED STYLE

SIZES   the example host's file, sizes.py
SEED    of the random delays of 0 to 50 ms after a read, before a frame is looked at,
        before a row is recorded, before a port is opened and before it is closed
STYLE   delays   rows go to a CSV file, as the example host writes them
        plain    the example host as it is, over any kind of port
        rows     a writer of its own commits every row to SQLite, 30 ms each
        batch    it commits every 200 ms
"""
import queue, random, sqlite3, sys, threading, time

sizes, job, records, seed, style = sys.argv[1:]
text = open(sizes, encoding="utf-8").read()
head, tail = text.split("\nstop = threading.Event()", 1)
sys.argv = [sizes, job, records]
host = {"__name__": "sizes"}
exec(compile(head, sizes, "exec"), host)
serial, rng, lock = host["serial"], random.Random(int(seed)), threading.Lock()


def delay():
    if style == "delays":
        with lock:
            d = rng.uniform(0, 0.05)
        time.sleep(d)


pty = host["Port"]


def port(at, **line):
    delay()
    if at.startswith("/"):
        p = pty(at, **line)
    else:
        p = serial.serial_for_url(at if "://" in at else "socket://" + at, **line)
    read, close = p.read, p.close

    def slow_read(size):
        got = read(size)
        try:
            while got and p.in_waiting:  # of a socket one byte only, however many wait
                got += read(p.in_waiting)
        except OSError:
            pass  # the port is gone, as the next read says; what has been read is kept
        if got:
            delay()
        return got

    def slow_close():
        delay()
        close()

    p.read, p.close = slow_read, slow_close
    return p


class Shop(host["Book"]):
    """Records in SQLite, committed by one writer."""

    def __init__(self, job, name):
        self.job, self.lock, self.rows = job, threading.Lock(), queue.Queue()
        threading.Thread(target=self.write, args=[name]).start()

    def add(self, when, station, point, no, size, unit, verdict, what):
        when = when.strftime("%d.%m.%Y %H:%M:%S,%f")
        self.rows.put((when, station, point, no, size.replace(".", ","), unit, verdict, what))

    def write(self, name):
        db = sqlite3.connect(name)
        db.execute("create table if not exists book (when_ text, station, point, no, size text, unit, verdict, what)")
        db.commit()
        done = False
        while not done:
            row = self.rows.get()
            if style == "batch":
                time.sleep(0.2)
            taken = [row]
            while style == "batch" and not self.rows.empty():
                taken.append(self.rows.get())
            done = None in taken
            db.executemany("insert into book values (?, ?, ?, ?, ?, ?, ?, ?)", [r for r in taken if r])
            time.sleep(0.03)
            db.commit()


host["Port"] = port
if style == "delays":
    for name in ("line_frames", "binary_frames"):
        def slow(*args, frames=host[name]):
            for f in frames(*args):
                delay()
                yield f
        host[name] = slow
    write = host["Book"].__call__
    host["Book"].__call__ = lambda self, *args, **named: (delay(), write(self, *args, **named))
if style in ("rows", "batch"):
    host["Book"] = Shop
exec(compile("stop = threading.Event()" + tail, sizes, "exec"), host)
if style in ("rows", "batch"):
    host["gauges"][0].book.rows.put(None)
