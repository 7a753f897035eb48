"""From a node's message to a record on disk, and what people enter: recording, the notebook, alarms."""
