"""The call: the review before it, the signed record of it, its replay, and the watch after it."""
