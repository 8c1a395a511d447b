"""Waits for one second in one of the ways in which programs wait.

    waits.py WAY

Prints "begin", waits, and prints "end".
"""
import asyncio, os, pty, queue, select, signal, sys, termios, threading, time


def get():
    try:
        queue.Queue().get(timeout=1)
    except queue.Empty:
        pass


def join():
    t = threading.Thread(target=threading.Event().wait, args=[60], daemon=True)
    t.start()
    t.join(1)


def terminal():
    """A read of a serial line with a time-out that the kernel keeps (POSIX.1, 11.1.7: VTIME)."""
    _, line = pty.openpty()
    attr = termios.tcgetattr(line)
    attr[3] &= ~(termios.ICANON | termios.ECHO)
    attr[6][termios.VMIN], attr[6][termios.VTIME] = 0, 10
    termios.tcsetattr(line, termios.TCSANOW, attr)
    os.read(line, 10)


def alarm():
    signal.signal(signal.SIGALRM, lambda *_: None)
    signal.setitimer(signal.ITIMER_REAL, 1)
    signal.pause()


def look(clock):
    began = clock()
    while clock() - began < 1:
        pass


WAYS = {
    "sleep": lambda: time.sleep(1),
    "select": lambda: select.select([os.pipe()[0]], [], [], 1),
    "clock": lambda: look(time.time),
    "monotonic": lambda: look(time.monotonic),
    "asyncio": lambda: asyncio.run(asyncio.sleep(1)),
    "event": lambda: threading.Event().wait(1),
    "queue": get,
    "join": join,
    "terminal": terminal,
    "alarm": alarm,
}
way = WAYS[sys.argv[1]]
print("begin", flush=True)
way()
print("end", flush=True)
