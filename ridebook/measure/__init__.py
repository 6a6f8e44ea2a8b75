"""What is measured of a stem: loudness, peaks and powers on the 10 ms grid."""
