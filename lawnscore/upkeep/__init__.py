"""What keeps a round sound and private: forgetting, backups, a check-up."""
