"""Faults of disks, folders and hands: nothing spoiled is published, nothing is lost, nothing foreign is deleted."""
