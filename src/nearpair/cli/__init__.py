"""The command line: arguments in, messages out; no logic of the job."""
