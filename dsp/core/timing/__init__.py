"""When a drum reaches each mic and with which sign, and what that says about moving the kit."""
