"""Is the step of a cabinet right, and as well known as is said?"""
