"""rude does what a module must not do, by a parameter. It doesn't use numpy."""

import os
import sys
import threading
import time

from commonvat_sdk import Choice, Method, NotComputed, Number, TooMuch, score

print("printed while it was imported")


def spin(group):
    while True:
        group.check()


def hold(group):
    time.sleep(group.number("seconds"))
    return 0


def leave_a_thread(_):
    threading.Thread(target=time.sleep, args=(600,)).start()
    return 0


def raises(_):
    raise KeyError("madder")


def deepen(group):
    return deepen(group)


def write_on_1(_):
    os.write(1, b"written on descriptor 1\n")
    print("printed in a score")
    sys.stderr.write("written on standard error\n")
    return 0


def none_with_reason(_):
    raise NotComputed("all cells are grey")


def too_much(_):
    raise TooMuch("2 cells, want at most 1")


DEEDS = {
    "none": lambda _: 1.5, "raise": raises, "exit": lambda _: sys.exit(3), "deepen": deepen, "print": write_on_1,
    "nan": lambda _: float("nan"), "infinity": lambda _: float("inf"), "text": lambda _: "3", "true": lambda _: True, "nothing": lambda _: None,
    "spin": spin, "hold": hold, "thread": leave_a_thread, "reason": none_with_reason, "too much": too_much, "seed": lambda group: group.random().random(),
    "ages": lambda group: group.age_days[0], "lists": lambda group: float(isinstance(group.l, list) and isinstance(group.lab, list)),
    "spectrum": lambda group: group.spectra[0].reflectance[-1],
    "missing parameter": lambda group: group.number("no such"),
}


@score("deed", "What the deed gives.", unit="1", higher_is_wider=True)
def deed(group):
    return DEEDS[group.choice("deed")](group)


METHOD = Method(
    name="rude", version="0.1.0", author="The Commonvat Authors", summary="Does what a module must not do.", scores=[deed],
    parameters=[Choice("deed", "What to do.", tuple(DEEDS)), Number("seconds", "How long to hold.", "s", 1, 0, 60)], ages=True, spectra=True)
