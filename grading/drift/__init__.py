"""Drift: did the sensor move or the fruit, since when, by how much, and what did it do?

Pure; arrays and frozen values in, frozen values out. Everything is in the unit of the measure
(mm, degrees, g); lanes are lane numbers, windows count from 0, differences are line less hand and
after less before. Modules, in the order that data flow through them:

`cells`     `trimmed(values=, weights=)` -> (centre, se), also from a histogram's bins and counts;
            `lane_table(measure=, values=, lane=, window=, lanes=, windows=)` -> `LaneTable`;
            `diameter_at_mass(diameter_mm=, mass_g=)`: size with the fruit's own size taken out.
`polish`    `median_polish(table=)` (Tukey) -> overall, rows, columns, residuals.
`lanes`     `against_others(centre=, se=)` one window; `lane_effects(table=)` a lot, by median
            polish, with intervals; `window_levels(table=)` the line's own level.
`follow`    `lane_rules(lanes=, measures=, windows_per_week=, allowance=)` -> `LaneRules` with the
            levels look and act; `accept(table=)` standing distances; `start(lanes=)`,
            `step(state=, rules=, centre=, se=, accepted=)` -> (state, `LaneReading`);
            `follow(table=, rules=, accepted=)` the same over a table.
`level`     `against_baseline(...)` each lot or bin against the baseline; `drift_inside(...)`
            common drift between the known steps of the fruit; `ordinary_sd(...)` how much
            stretches of one lot differ anyway.
`onset`     `find_onset(values=, se=)` step or ramp, with interval; `place(onset=, first_seq=,
            first_ms=)` in fruit and time; `meets(onset=, boundaries=, windows=)`.
`checks`    `check_lane(...)` spheres or tiles: offset, scale, error at the cuts, pass or fail in
            words; `check_chart(errors=, tolerance=)`.
`pairs`     `bland_altman(line=, hand=)`, `bias_of(n=, mean=, sd=)`, `judge(...)` agrees,
            disagrees, undecided; `pairs_needed(bias=, sd=)`, `concordance`, `selection_bias`.
`fits`      `deming`, `deming_known_errors`, `passing_bablok`: scale errors.
`apart`     `pull_against_lot(pull=, lot=, width=)`: unpaired, Wasserstein distance and its floor.
`components` variance between and within lanes or bins (balanced, closed form), for the audit.
`cuts`      `normal_at_cut`, `counts_at_cut`, `moved_cut` -> `AtCut`: one class too high,
            undersize in the box "and up" and in a closed class.
`undo`      `what_drift_did(batch=, compiled=, measure=, offsets=, since_seq=)` -> `Undone`.
`evidence`  what is known of two windows (`ChangeFacts`, `MeasureFacts`, `Side`, ...).
`separate`  `separate(facts=, risk=)` one measure split into sensor and fruit.
`answer`    `explain_change(facts=)` -> `Answer`: the three-way answer (decision rules there).
"""
