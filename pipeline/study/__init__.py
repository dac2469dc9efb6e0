"""What each outline cutter of a crib would earn on a job: nests, programs and costs side by side."""
