"""The files kept by hand: lawns, work, weather; and where a round keeps what."""
