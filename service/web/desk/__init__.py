"""The pages of a club's desk: for the people who run the club, under `/admin`."""
