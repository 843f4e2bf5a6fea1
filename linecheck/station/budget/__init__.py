"""Whether a station can decide a limit file's masks: uncertainty budgets from what its loop shows."""
