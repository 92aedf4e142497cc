"""The learning loop: labels that flights vet, and the detector that learns from them."""
