"""The course: building lessons from their sources, and checking the machine they run on."""
