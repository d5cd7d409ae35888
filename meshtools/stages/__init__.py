"""The stages of the flow: thin, pure, one module a stage; none imports another."""
