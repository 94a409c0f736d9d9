"""Water in pipes: friction, emitters, one lateral by marching, a whole tree by Newton."""
