"""Audio files: reading, aligning, resampling, blocks, peaks and writing."""
