"""What a step has shown, in numbers: pure functions over the frames and samples of one step."""
