-- When the windows of open Tasks are over: what is overdue is counted by these alone, without a look at all that ever was due.
-- Reading all Tasks takes a while, and meanwhile instances of an earlier release write on.
insert into date_row (param, start_ms, end_ms, resource)
select distinct 'Task.due:open', d.end_ms, d.end_ms, d.resource from date_row d
where d.param = 'Task.due' and exists (
    select 1 from token_row t where t.resource = d.resource and t.param = 'Task.status'
    and t.code in ('requested', 'received', 'accepted', 'ready', 'in-progress', 'on-hold'));
-- For a moment they wait, and what they wrote is looked at once more: an hour is more than any clock differs.
lock table date_row in share row exclusive mode;
create temporary table written on commit drop as
    select key from resource where kind = 'Task' and at_ms >= extract(epoch from now() - interval '1 hour') * 1000;
delete from date_row where param = 'Task.due:open' and resource in (select key from written);
insert into date_row (param, start_ms, end_ms, resource)
select distinct 'Task.due:open', d.end_ms, d.end_ms, d.resource from date_row d
where d.resource in (select key from written) and d.param = 'Task.due' and exists (
    select 1 from token_row t where t.resource = d.resource and t.param = 'Task.status'
    and t.code in ('requested', 'received', 'accepted', 'ready', 'in-progress', 'on-hold'));
