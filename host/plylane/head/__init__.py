"""The line to a press head: port, link, typed client, clock alignment, poller."""
