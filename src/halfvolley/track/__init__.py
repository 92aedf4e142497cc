"""Linking detections into smooth pieces of image motion."""
