"""The application: one open port, one job, the services at work, and everything recorded."""
