"""How many files and connections the process may hold open."""


def allow_many() -> None:
    """As many as the system lets us: the page's guests must not use up what intake needs."""
    try:
        import resource
    except ImportError:
        return  # a system without such limits
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = 65_536 if hard == resource.RLIM_INFINITY else min(hard, 65_536)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))
