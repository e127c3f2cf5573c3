"""The worker of the workbench: reads or listens, folds, and lays frozen snapshots ready. No Textual here."""
