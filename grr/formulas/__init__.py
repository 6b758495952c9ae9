"""The formulas: arrays in, arrays out, one study or a whole stack of them.

One subject a file, each read from top to bottom; the published source stands under every
formula.

======================== ===================================================================
`analysis_of_variance`   sums of squares, F tests and variance components; crossed, nested,
                         and with two methods
`average_range`          d2, d2*, D3, D4, and the average-and-range form
`sources_of_variation`   from variances to EV, AV, INT, GRR, PV, TV, their percentages, ndc
`unweighted_means`       sums of squares where readings are missing
`reml`, `reml_fit`       restricted maximum likelihood where readings are missing, and how
                         the likelihood is maximised
`mixed_model`            the same for any sources, crossed or nested, by their labels
`further_sources`        sessions, places on a part and several gauges, beside parts and people
`coarse_digit`           repeatability behind a coarse last digit; what rounding adds to a bound
`pivots`                 which variances a study is compatible with, as draws
`even_draws`             evenly spread points in place of random draws, for many studies
`confidence_limits`      from draws to limits of what is read
`precision`              how sure a planned study can be
`second_look`            how sure each of two looks at a study must be
`improvement`            what a change of the measuring process would do
`conformity`             risks of wrong decisions, guard bands, errors of indication
`bias`, `capability`     a gauge on one reference; Cg and Cgk, Q_MS and Q_MP
`straight_line`          bias over the range: line, lack of fit, bands
`uncertainty`            the budget by the GUM, and by Monte Carlo
`micrometer`             warmth, measuring force, flattening, the pitch of the screw
`control_charts`         limits, running mean, run rules, their false alarms
`change_points`          steps, warm-ups, shifts between trials
`drift_rate`             slopes of readings, zero and scatter; time until they matter
`operator_comparison`    means, Tukey, h and k, Bartlett, Cochran, who carries the interaction
`recheck`                how surely a short check notices that the repeatability has grown
`cause_tests`            which one thing makes GRR large: many suspects, one budget of alarms
`scatter_tests`          does scatter look normal, even and without order: six tests in one
`counterfactuals`        GRR as it would be without a cause
`method_comparison`      limits of agreement, difference and ratio of two methods, the choice
`data_checks`            slips, swaps, copies, digits, what is believable
`published`              data of published examples
`arrays`                 the types, and a quotient where the whole may be 0
======================== ===================================================================
"""
