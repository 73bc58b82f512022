"""The usual cautions, wherever faults or service are shown."""

CAUTIONS: tuple[str, ...] = (
    "Before any work on a tool or its controller, isolate compressed air and electrical power, release "
    "stored energy (air, springs, a tensioned band), and follow the lockout and tagout rules of your site.",
    "Follow the maker's instructions. Local codes and qualified people decide what is done, by whom and how.",
    "This is a record of what controllers reported. A fault shown as cleared or acknowledged does not mean "
    "that a machine is safe to touch.",
)
