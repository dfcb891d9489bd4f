"""What the mountain asks, minus what the people have: asks, lacks, findings, and the board made of them."""
