"""What is handed out: labels, maps, timetables, the data package."""
