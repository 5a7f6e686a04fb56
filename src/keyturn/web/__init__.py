"""The bench in the browser: one page per thing a user does, each with a JSON twin."""
