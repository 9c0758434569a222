"""Does work in a process that can be trusted: limits of time and memory, a log, a worker for what may crash."""
