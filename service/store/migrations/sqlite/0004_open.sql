-- When the windows of open Tasks are over: what is overdue is counted by these alone, without a look at all that ever was due.
insert into date_row (param, start_ms, end_ms, resource)
select distinct 'Task.due:open', d.end_ms, d.end_ms, d.resource from date_row d
where d.param = 'Task.due' and exists (
    select 1 from token_row t where t.resource = d.resource and t.param = 'Task.status'
    and t.code in ('requested', 'received', 'accepted', 'ready', 'in-progress', 'on-hold'));
