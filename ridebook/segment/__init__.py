"""Where the voice is: activity, phrases, words, breaths, sibilants, plosives and sections."""
