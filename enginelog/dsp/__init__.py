"""Pure array-to-array functions shared by the stages: no files, no printing, no thresholds of the trade."""
