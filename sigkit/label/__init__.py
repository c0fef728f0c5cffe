"""The labelling app: people place instants on traces, blind, and nothing said to be saved is ever lost."""
