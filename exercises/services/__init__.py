"""Every write of exercises; a public function is one transaction."""
