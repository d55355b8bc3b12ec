"""A shop in portions of its orders: each matched and judged by itself, and put together again.

Orders that share a document are of one group, and a group is never parted. So any way to hand the
groups out to portions gives the same exceptions. Groups that look at others, such as those of a
payment that may be for any open order, are one portion of their own.
"""
