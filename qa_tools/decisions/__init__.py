"""What to do next: decisions that rest on judged weights and on what a works keeps beside them."""
