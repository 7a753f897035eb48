"""What pages read, how long it holds, and the process that works out slow answers."""
