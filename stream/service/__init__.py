"""The unattended process: threads, schedule, watchdog, metrics, log."""
