"""Two records of one person: joined, read as one, parted again."""

# what the one who joins has seen side by side
COMPARED = {"names_compared": True, "births_compared": True, "addresses_compared": True}
