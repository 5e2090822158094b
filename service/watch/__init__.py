"""The watch over every line: what moved, since when, why, and what to do; without being asked.

    minutes    closed minutes of a line's lots, as the detector needs them
    quantities what is followed, and what fruit of one lot ordinarily do
    detect     one minute after another: lanes against each other, levels inside a lot (pure)
    outside    pulls and checks in the course of time, and changes of the rule
    finding    what was found
    ask        which stretches to compare, and the three-way answer to them
    watch      all of it for the running service, on a worker thread

Findings follow from fruit, pulls, checks and changes of the rule alone, so they are the same when
they are made again from the store.
"""
