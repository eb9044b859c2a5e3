"""Pages for people who were not there: on a fleet, on a study, on a job."""
