"""Every write of the floor; a public function is one transaction."""
