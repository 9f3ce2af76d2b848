"""The imperative shell: waits for events, journals them, steps the core, performs what it decided."""
