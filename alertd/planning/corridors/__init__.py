"""Plans one road's trips: the same function in this process, in a process pool, and in workers of a shared store."""
