"""Whether a station can decide a limit file's masks: budgets of uncertainty from what its loop shows of its path."""
