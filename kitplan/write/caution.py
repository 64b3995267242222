"""What every workbook and page says of itself."""

CAUTION = (
    "kitplan plans quantities of supplies. It does not say when or how to re-secure a tube, nor choose a tube, "
    "mask or bag, nor treat anyone. Quantities follow the numbers you enter. Follow your unit's policy, product "
    "labelling, infection-control rules and local codes; re-securing is done by trained, licensed staff, at least "
    "two of them. Emergency airway equipment belongs at every bedside whatever this plan says: check it with your "
    "own eyes. Hand hygiene and standard precautions before and after. Enter nothing that identifies a patient."
)
