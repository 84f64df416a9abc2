"""A subscription as a person would say it, for commands and pages."""

from __future__ import annotations

from watcher.settings.people import CircleSection, SubscriptionSection


def in_words(section: SubscriptionSection) -> str:
    """Return all that a subscription wants, and where it goes, in one line."""
    return f"{'; '.join((where(section), what(section), *when(section)))} -> {', '.join(section.to)}"


def where(section: SubscriptionSection) -> str:
    """Return the stations that are wanted."""
    places = list(section.stations) if isinstance(section.stations, tuple) else []
    places += [f"all of {code}" for code in section.countries]
    places += [around(circle) for circle in section.circles]
    return ", ".join(places) or "all watched stations"


def around(circle: CircleSection) -> str:
    """Return a circle with its radius."""
    radius = f"{circle.radius_nm:g} NM" if circle.radius_nm is not None else f"{circle.radius_km:g} km"
    return f"{radius} around {circle.at}"


def what(section: SubscriptionSection) -> str:
    """Return the flags and the lowest level that are wanted."""
    flags = "any flag" if "all" in section.flags else ", ".join(section.flags)
    return f"{flags} from {section.min_level}"


def when(section: SubscriptionSection) -> list[str]:
    """Return at what times messages are wanted, a clause for each wish; none: at any time."""
    parts = []
    if section.hours is not None:
        parts.append(f"hours {section.hours}")
    if section.quiet is not None:
        parts.append(f"quiet {section.quiet}")
    if section.digest:
        parts.append(f"{'only a digest' if section.only_digest else 'digest'} at {', '.join(section.digest)}")
    if section.zone is not None:
        parts.append(section.zone)
    if (section.hours or section.quiet) and section.no_time_ignores_hours:
        parts.append("no-time at any hour")
    if section.remind_every is not None:
        parts.append(f"reminder every {section.remind_every.total_seconds() / 60:g} min")
    return parts
