"""Live buses: found, proved to be listened to only, received."""
