-- One row per stretch of a stay on an air-entrainment valve in which neither the conditions nor the charted respiratory
-- rate change, excluded time left out. Made by pipeline/events/valves.py. setup: see pipeline/physiology/entrainment.py.
create table valve_stretches (
    stay_id varchar not null, -- pseudonym of the stay: to trace a sum back to it, and to correct or replace it
    ward varchar, -- where it was: every figure is shown by ward
    month varchar not null, -- calendar month in the store's zone: every figure is shown by month
    started_at timestamp not null, -- when, to find it in the chart
    seconds bigint not null, -- how long: shares are of time
    printed_fraction double, -- the concentration printed on the valve, as charted
    flow_l_min double, -- the oxygen flow, as charted
    setup varchar not null, -- as printed, too little flow, a pair that does not belong together, or not to be told
    total_flow_l_min double, -- what the valve gives in all; null where it is not set up as printed
    respiratory_rate double, -- how fast the patient breathed; null where none was charted
    peak_flow_l_min double, -- what the patient is likely to draw in at the peak of a breath
    meets_demand boolean, -- whether the valve gives that much; null where it cannot be said
    retainer varchar -- the strongest evidence of CO2 retention so far
);
