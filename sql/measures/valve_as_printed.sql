/*
title = "Air-entrainment valves set up as printed"
question = "For how much of the time on an air-entrainment valve did flow and concentration fit what valves print?"
kind = "share"
unit = "%"
needs = ["devices"]
better = "higher"
numerator = "Seconds on a valve whose charted flow is enough for its charted concentration and belongs to it."
denominator = "Seconds on an air-entrainment valve with both its concentration and its flow charted."
excludes = """
    Time on a valve without a charted concentration or flow: whether it was set up as printed cannot be told. Time
    under an exclusion flag.
"""
standard = """
    100 %: the flow printed on the valve is the least that gives its concentration; a lower one makes both the
    concentration and the total flow unreliable.
"""
source = """
    O'Driscoll et al., BTS guideline for oxygen use in adults, Thorax 2017;72(Suppl 1):ii1-ii90, section 10; Jones et
    al., Lancet 1984;1:1427-31. The printed flows of several makers: see the table of valves in the policy; the lowest
    flow any of them prints is taken.
"""
caution = """
    A chart cannot show blocked entrainment ports, which raise the concentration, nor the wrong valve. A flow too low
    and a pair that does not belong together (24 % at 10 L/min) both count as not as printed; the second may be a slip
    of the pen. Where much time has no charted concentration, this share speaks for the rest only.
"""
version = 1
changes = []
order = 300
part = "valves"
*/
-- One row per stay, ward and month with any time on a valve whose set-up can be told.
select
    stay_id,
    ward,
    month,
    sum(case when setup = 'as_printed' then seconds else 0 end) as numerator,
    sum(seconds) as denominator
from valve_stretches
where setup <> 'unknown'
group by
    stay_id,
    ward,
    month;
