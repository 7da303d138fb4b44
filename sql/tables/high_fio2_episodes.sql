-- One row per episode of high inspired oxygen in a stay with evidence of CO2 retention. Made by pipeline/episodes.py.
create table high_fio2_episodes (
    stay_id varchar not null, -- pseudonym of the stay: the team that reviews an episode finds the chart by it
    started_at timestamp not null, -- when it was, for the review and for its month
    ended_at timestamp not null, -- how long it lasted
    high_s bigint not null, -- seconds of high oxygen in it, without the gaps
    peak_fio2 double not null, -- how high the oxygen was
    mean_fio2 double not null, -- how high the oxygen was
    device_at_peak varchar not null, -- through what: most of what can be learnt from an episode
    ward varchar, -- where it started: episodes are counted by ward
    lower_percent double, -- the band prescribed at the time: everything is judged against it
    upper_percent double, -- the band prescribed at the time: everything is judged against it
    retainer_at_start varchar, -- what was known when it started
    retainer_ever varchar not null, -- what is known of the whole stay
    below_s bigint not null, -- seconds in each band state: whether the oxygen was needed or too much
    within_s bigint not null, -- seconds in each band state: whether the oxygen was needed or too much
    above_on_oxygen_s bigint not null, -- seconds in each band state: whether the oxygen was needed or too much
    unobserved_s bigint not null, -- seconds in each band state: whether the oxygen was needed or too much
    spo2_min double, -- whether the oxygen was needed or too much
    spo2_max double, -- whether the oxygen was needed or too much
    gas_before_at timestamp, -- the last gas before, to compare with
    gas_before_pco2_kpa double, -- the last gas before, to compare with
    gas_before_ph double, -- the last gas before, to compare with
    gas_after_at timestamp, -- the first gas after: what the oxygen may have done
    gas_after_pco2_kpa double, -- the first gas after: what the oxygen may have done
    gas_after_ph double, -- the first gas after: what the oxygen may have done
    gas_after_minutes double, -- whether it was re-checked in time
    repeat_gas_in_time boolean not null, -- whether it was re-checked in time
    acidosis_after boolean, -- the harm that is looked for
    saturation_during varchar not null -- whether it can be called avoidable
);
