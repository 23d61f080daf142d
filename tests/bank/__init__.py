"""Virtual plants: a bench on which suggestions are judged by the truth. Every number here is invented."""
