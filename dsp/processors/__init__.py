"""The processors that come with Spillgate."""
