"""The next trial: power, randomisation, design, timetable, worth."""
