"""Stacks: grouping frames into stations, registration, and which end of a stack is near."""
