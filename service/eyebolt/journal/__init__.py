"""The session on disk: records, pictures and recovery. Knows bytes, not what they mean."""
