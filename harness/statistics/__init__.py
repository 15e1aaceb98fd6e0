"""Statistics: from trial values to intervals, decisions, plans and stability statements.

Pure functions of numbers: nothing here reads a record, a profile, a clock or a file. Import the
module that answers the question; this package itself imports nothing.

- `within_run`: one run's trials to intervals (`summarise_trials`, `summarise_run`)
- `between_runs`: two sides to ratios and decisions (`compare_workloads`)
- `summary`, `outliers`, `causes`, `steadiness`, `trend`, `dependence`: what the trials look like
- `intervals`, `choice`, `tolerance`, `bootstrap`, `levels`, `ratio`: intervals and when each suits
- `decision`, `spending`: verdicts against limits and margins, over families and repeated looks
- `planning`, `requalification`: how many trials and boots are needed
- `reliability`, `demonstration`: error rates and test plans from passes and failures
- `thermal`, `heat`: the fit of a temperature and what follows from it
"""
