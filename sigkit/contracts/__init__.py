"""What a plug-in must offer, one protocol a file."""
