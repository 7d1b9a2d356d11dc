"""What the operating system sees of the service: log, metrics, watchdog, ending."""
