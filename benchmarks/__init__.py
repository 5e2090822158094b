"""Speed figures, each as a ratio to a limit or a peer measured in the same run."""
