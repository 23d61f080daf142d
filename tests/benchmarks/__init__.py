"""What things cost, beside what they would cost with general libraries: ``python -m tests.benchmarks``."""
