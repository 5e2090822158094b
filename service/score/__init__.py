"""The watch scored on simulated shifts whose truth is known.

    house    the service itself in this process, on a temporary folder and a simulated clock
    play     a shift through it: fruit, pulls, checks, turns and moved cuts, minute by minute
    truth    what the right answer to a shift is, told from its plan alone
    judge    the answer that was given against the right one
    suite    all shifts, the figures with their bars, as `drupe score` prints them
"""
