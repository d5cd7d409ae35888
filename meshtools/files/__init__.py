"""Reading and writing of files, and nothing else."""
