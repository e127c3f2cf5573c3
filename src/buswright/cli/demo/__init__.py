"""What the demo does beside showing a result: it drives the car, and answers its own exercise."""
