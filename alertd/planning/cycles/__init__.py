"""What planning needs when cycles follow each other: whose turn it is, and which plans need not be made again."""
