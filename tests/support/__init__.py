"""Material for tests of safety: right trees, trees broken on purpose, random walks."""
