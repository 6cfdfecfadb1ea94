"""The workshop's and the track's questions, each answered from results: a module a question."""
