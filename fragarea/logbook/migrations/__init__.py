"""Migrations of the logbook, oldest first; each is applied whole or not at all."""
