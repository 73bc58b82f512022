"""What the answers look like: models for the OpenAPI document, which the tests hold against real answers.

They are not used on the way out (see `answers.py`). A consumer must ignore members that it does not know, and
expect new words where a member is an enumeration: both may be added within /v1.
"""
