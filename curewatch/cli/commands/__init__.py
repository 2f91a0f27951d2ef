"""The commands, one function each, thin over the desk. A module here is imported only when one of its commands is
run."""
