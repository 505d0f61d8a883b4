"""Every write of assessments; a public function is one transaction."""
