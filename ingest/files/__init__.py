"""Files that people bring or take away: sheets, trial files, calibrations, data packages."""
