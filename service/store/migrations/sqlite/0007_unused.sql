-- On PostgreSQL an index goes whose work another one does. Here the table itself was put in that order.
select 1;
