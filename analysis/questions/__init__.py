"""Each question a person asks of a trial, answered once: for page, command, report and notebook alike."""
