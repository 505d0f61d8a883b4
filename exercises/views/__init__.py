"""Pages of the library and of the policy points."""
