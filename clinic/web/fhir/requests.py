"""How soon somebody is to be seen, in the words of FHIR."""

# urgency of the tables to ServiceRequest.priority; an emergency is the strongest word there is
PRIORITIES = {
    "emergency": "stat",
    "same_day": "asap",
    "within_days": "urgent",
    "routine": "routine",
}
