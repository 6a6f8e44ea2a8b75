"""Where the voice is: activity, phrases, words, breaths, sibilants and sections."""
