"""Studies of lawnscore: how right, how fast, and where its constants come from."""
