"""Before and after: the joint uncertainty of two tubes."""
