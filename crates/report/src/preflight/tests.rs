//! Sentences for hand-made facts.
