"""The station page: what must I do here today, and are the data good?"""
