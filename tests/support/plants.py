"""Scenarios with one thing planted, or its healthy counterpart, and the findings that must follow by definition."""

from __future__ import annotations

ALL = ("front-left", "front-right", "rear-left", "rear-right", "tailgate")
AWAKE = "begin: {awake: yes}\n"
USED = ("after: 3 s, open: front-left", "after: 3 s, shut: front-left")
DRIVE_OFF = ("at: 5 s, remote: unlock", *USED, "after: 2 s, ignition: on")
FASTER = "after: 5 s, speed: 40 km/h, over: 40 s"

CASES: dict[str, tuple[tuple[str, ...], list[tuple[str, tuple[str, ...], str]]]] = {
    "a self-unlock and the timer's relock": (
        ("at: 60 s, plant: self-unlock",),
        [("command-without-request", ALL, "none"), ("relock-without-door-opening", ALL, "none")],
    ),
    "an inserted lock": (
        ("at: 5 s, remote: unlock", *USED, "after: 20 s, plant: insert-command, action: lock"),
        [("command-without-request", ALL, "none")],
    ),
    "a request kept off the wire": (
        ("at: 2 s, plant: hide-request", "at: 5 s, remote: unlock", *USED),
        [("command-without-request", ALL, "none")],
    ),
    "a key check kept off the wire": (
        ("at: 2 s, plant: no-validation", "at: 5 s, remote: unlock", *USED),
        [("command-without-validation", ALL, "")],
    ),
    "a request that nothing follows": (
        ("at: 2 s, plant: ignore-request", "at: 5 s, remote: unlock"),
        [("request-ignored", ALL, "")],
    ),
    "a request for the state that is there already may be ignored": (
        ("at: 2 s, plant: ignore-request", "at: 5 s, remote: lock"),
        [],
    ),
    "a dead latch, once for each command it misses": (
        ("at: 2 s, plant: dead-latch, closure: rear-left", "at: 5 s, remote: unlock", *USED),
        [("latch-no-response", ("rear-left",), "")],
    ),
    "a dead latch that is in the state asked for already": (
        ("at: 2 s, plant: dead-latch, closure: rear-left", "at: 5 s, remote: lock"),
        [],
    ),
    "a dead latch that heals": (
        ("at: 2 s, plant: dead-latch, closure: rear-left, lasts: 2 s", "at: 5 s, remote: unlock", *USED),
        [],
    ),
    "a latch beyond its stated limit": (
        ("at: 2 s, plant: slow-latch, closure: tailgate, takes: 850 ms", "at: 5 s, remote: unlock", *USED),
        [("latch-slow", ("tailgate",), "")],
    ),
    "a latch beyond the deadline": (
        ("at: 2 s, plant: slow-latch, closure: tailgate, takes: 1500 ms", "at: 5 s, remote: unlock", *USED),
        [("latch-no-response", ("tailgate",), "")],
    ),
    "a latch slower than usual and inside its limit": (
        ("at: 2 s, plant: slow-latch, closure: tailgate, takes: 300 ms", "at: 5 s, remote: unlock", *USED),
        [],
    ),
    "one latch alone": (
        ("at: 20 s, plant: latch-alone, closure: front-right, state: unlocked",),
        [("movement-without-command", ("front-right",), "")],
    ),
    "a closure opens while locked": (
        ("at: 20 s, plant: open-while-locked, closure: rear-right, lasts: 3 s",),
        [("opened-while-locked", ("rear-right",), "")],
    ),
    "an ajar contact reads open while locked": (
        ("at: 20 s, plant: force-contact, closure: rear-right, state: open, lasts: 3 s",),
        [("opened-while-locked", ("rear-right",), "")],
    ),
    "a latch contact reads unlocked and later the truth again": (
        ("at: 20 s, plant: force-contact, closure: rear-right, state: unlocked, lasts: 10 s",),
        [("movement-without-command", ("rear-right",), "")] * 2,
    ),
    "the relock comes early": (
        ("at: 2 s, plant: relock-delay, delay: 20 s", "at: 5 s, remote: unlock"),
        [("relock-early", ALL, ""), ("relock-without-door-opening", ALL, "remote-button")],
    ),
    "the relock comes late": (
        ("at: 2 s, plant: relock-delay, delay: 40 s", "at: 5 s, remote: unlock"),
        [("relock-late", ALL, ""), ("relock-without-door-opening", ALL, "remote-button")],
    ),
    "the relock comes a little late and inside its tolerance": (
        ("at: 2 s, plant: relock-delay, delay: 30500 ms", "at: 5 s, remote: unlock"),
        [("relock-without-door-opening", ALL, "remote-button")],
    ),
    "the relock comes after twice its time": (
        ("at: 2 s, plant: relock-delay, delay: 70 s", "at: 5 s, remote: unlock"),
        [("relock-missing", ALL, ""), ("relock-without-door-opening", ALL, "remote-button")],
    ),
    "the relock does not come": (
        ("at: 2 s, plant: relock-off", "at: 5 s, remote: unlock"),
        [("relock-missing", ALL, "")],
    ),
    "the relock does not come and need not, as a door was opened": (
        ("at: 2 s, plant: relock-off", "at: 5 s, remote: unlock", *USED),
        [],
    ),
    "the relock comes although a door was opened": (
        ("at: 2 s, plant: relock-despite-door", "at: 5 s, remote: unlock", *USED),
        [("relock-after-door-opening", ALL, "")],
    ),
    "an unlock from outside that nobody uses": (
        ("at: 5 s, remote: unlock",),
        [("relock-without-door-opening", ALL, "remote-button")],
    ),
    "an unlock by the cylinder that nobody uses": (
        ("at: 5 s, cylinder: unlock",),
        [("relock-without-door-opening", ALL, "key-cylinder")],
    ),
    "an unlock that ignition on makes use of": (("at: 5 s, remote: unlock", "after: 10 s, ignition: on"), []),
    "speed locking fails": (
        ("at: 2 s, plant: speed-lock-off", *DRIVE_OFF, FASTER),
        [("speed-lock-missing", ALL, "")],
    ),
    "speed locking comes late": (
        ("at: 2 s, plant: speed-lock-late, by: 5 s", *DRIVE_OFF, FASTER),
        [("speed-lock-missing", ALL, "")],
    ),
    "speed locking comes late and inside its deadline": (
        ("at: 2 s, plant: speed-lock-late, by: 1 s", *DRIVE_OFF, FASTER),
        [],
    ),
    "speed locking comes early": (
        ("at: 2 s, plant: speed-lock-early, threshold: 8 km/h", *DRIVE_OFF, FASTER),
        [("speed-lock-early", ALL, "")],
    ),
    "speed locking although turned off": (
        ("at: 2 s, plant: speed-lock-while-disabled", *DRIVE_OFF, "after: 2 s, speed-lock: off", FASTER),
        [("speed-lock-while-disabled", ALL, "")],
    ),
    "speed locking is turned off and stays quiet": ((*DRIVE_OFF, "after: 2 s, speed-lock: off", FASTER), []),
    "an unlock while moving": (
        (*DRIVE_OFF, FASTER, "after: 45 s, plant: unlock-while-moving"),
        [("unlock-while-moving", ALL, "")],
    ),
    "an unlock while moving by the remote key": (
        (*DRIVE_OFF, FASTER, "after: 45 s, remote: unlock"),
        [("unlock-while-moving", ALL, "")],
    ),
    "an occupant's unlock while moving": ((*DRIVE_OFF, FASTER, "after: 45 s, switch: unlock"), []),
    "a locked door opened by its inside handle": (
        ("at: 20 s, open: front-left, from: inside",),
        [("mechanical-operation", ("front-left",), "inside-handle")],
    ),
    "a stranger's key is refused": (("at: 5 s, remote: unlock, key: 9",), []),
}
