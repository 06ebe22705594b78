-- The audit stated a second time, in SQL over the two files alone, so that the program can be compared with it row
-- by row. Run by audit.py (DuckDB 2.0.1), which sets the variables roll_csv, houses_csv, percent, square_feet, z_min,
-- rounding_sqft and key_digits.
--
--   roll    PARCEL, SITUS, LIVING_AREA, TOTAL_VALUE, one row a parcel
--   houses  one measured part a row, each with its standard deviation
--
-- Counted is what the roll's definition counts: finished area above grade of the main building, low quality included.

create macro digits(key) as lpad(regexp_replace(key, '[^0-9]', '', 'g'), getvariable('key_digits')::int, '0');

-- Number and street in capitals, without the town after the comma: '101 Alder St., Quillford' is '101 ALDER ST'.
create macro street_line(address) as
    trim(regexp_replace(regexp_replace(upper(split_part(address, ',', 1)), '[.]', '', 'g'), ' +', ' ', 'g'));

create table roll as
select digits(PARCEL) as parcel_key,
       street_line(SITUS) as street_line,
       LIVING_AREA::decimal(12, 0) as recorded,
       TOTAL_VALUE::decimal(14, 2) as value
from read_csv(getvariable('roll_csv'), all_varchar = true)
where LIVING_AREA::decimal(12, 0) > 0;

create table part as
select reference, digits(parcel) as parcel_key, street_line(address) as street_line,
       common_relative_sd::double as common,
       coalesce(nullif(building_kind, ''), 'main') as building_kind,
       coalesce(nullif(grade, ''), 'above') as grade,
       coalesce(nullif("use", ''), 'living') as part_use,
       coalesce(nullif(finish, ''), 'finished') as finish,
       area_sqft::decimal(14, 4) as area,
       coalesce(sd_sqft::double, error('a part of ' || reference || ' states no standard deviation')) as sd
from read_csv(getvariable('houses_csv'), all_varchar = true);

create table house as
select reference, any_value(parcel_key) as parcel_key, any_value(street_line) as street_line,
       sum(area) as measured, sum(sd ** 2) as own_variance, coalesce(any_value(common), 0) as common
from part
where building_kind = 'main' and grade = 'above' and part_use in ('living', 'recreation', 'stair', 'storage')
      and finish in ('finished', 'low_quality')
group by reference;

-- A record under the house's key but at another address is somebody else's until a person says otherwise.
create table compared as
select reference, parcel_key, measured, recorded, value,
       coalesce(house.street_line <> roll.street_line, false) as held,
       measured - recorded as difference,
       sqrt(own_variance + (measured::double * common) ** 2 + getvariable('rounding_sqft') ** 2 / 12.0) as sd
from house join roll using (parcel_key);

create table queue as
select reference, parcel_key,
       round(measured, 1)::decimal(14, 1) as measured_sqft,
       recorded as recorded_sqft,
       round(100.0 * difference::double / recorded::double, 4)::decimal(14, 4) as variance_percent,
       round(difference::double / sd, 3)::decimal(14, 3) as z,
       -- value · difference / recorded in whole cents, the rest cut off; // truncates toward zero
       ((value * 100)::hugeint * (difference * 10000)::hugeint // (recorded * 10000)::hugeint) as effect_cents
from compared
where not held
      and abs(difference) * 100 >= getvariable('percent')::decimal(6, 3) * recorded
      and abs(difference) >= getvariable('square_feet')::decimal(12, 3)
      and abs(difference::double) / sd >= getvariable('z_min');

create table result as
select reference, parcel_key, measured_sqft, recorded_sqft, variance_percent, z,
       (effect_cents::decimal(20, 0) / 100)::decimal(20, 2) as effect
from queue order by abs(effect_cents) desc, reference;
