-- PostgreSQL alone is shared by instances, and alone tells whether it is another database than before. A file says nothing of where it
-- came from: `endplate backup` leaves numbers out in the copy.
select 1;
