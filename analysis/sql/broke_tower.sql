-- The towers that a machine's broke goes to; one that names no machine stands at every machine.
SELECT
    tower,
    volume_m3,
    consistency_pct,
    coalesce(shades, []) AS shades,
    coalesce(dosed_into, shades, []) AS dosed_into,
    level_tag,
    dosing_tag,
    returned_tag,
    spilled_tag
FROM broke_tower
WHERE machine IS NULL OR machine = $machine
ORDER BY tower;
