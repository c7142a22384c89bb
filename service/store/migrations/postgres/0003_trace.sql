-- Which request caused an event, as the headers traceparent and tracestate say it (W3C Trace Context); null of one that was raised before.
alter table event add column traceparent text;
alter table event add column tracestate text;
