"""The consumption model: priors, forward prediction and fit."""
