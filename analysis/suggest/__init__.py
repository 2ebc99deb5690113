"""Suggested causes of uncoded breaks: learned from coded ones and from rules; a person decides, nothing is stored."""
