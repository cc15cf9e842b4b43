"""What work costs."""

from __future__ import annotations

from django.db import models


class TaxRate(models.Model):
    """A rate of tax; `category` is the UNCL 5305 code that EN 16931 uses (S standard, Z zero, E exempt)."""

    name = models.CharField(max_length=60, unique=True)
    percent = models.DecimalField(max_digits=6, decimal_places=3)
    category = models.CharField(max_length=2, default="S")

    def __str__(self) -> str:
        return f"{self.name} {self.percent.normalize():f} %"


class PriceList(models.Model):
    """Prices that hold for a time, for everyone or for one agency."""

    name = models.CharField(max_length=120)
    agency = models.ForeignKey("Agency", null=True, blank=True, on_delete=models.CASCADE)
    valid_from = models.DateField()
    valid_to = models.DateField(null=True, blank=True)

    class Meta:
        ordering = ["-valid_from", "name"]

    def __str__(self) -> str:
        return self.name


class PriceItem(models.Model):
    """One line of a price list; money in minor units of the business's currency."""

    class Kind(models.TextChoices):
        BASE = "base", "Base set, by floor area"
        PER_ROOM = "per_room", "Per room"
        EXTRA = "extra", "Extra"
        TRAVEL = "travel", "Travel, per km beyond the free distance"
        RUSH = "rush", "Rush"
        FEE = "fee", "Fee"

    price_list = models.ForeignKey(PriceList, on_delete=models.CASCADE, related_name="items")
    code = models.SlugField(max_length=40)
    name = models.CharField(max_length=160)
    help = models.CharField(max_length=240, blank=True)
    kind = models.CharField(max_length=16, choices=Kind.choices)
    amount_minor = models.IntegerField()
    tax_rate = models.ForeignKey(TaxRate, on_delete=models.PROTECT)
    area_from_m2 = models.PositiveIntegerField(null=True, blank=True)
    area_to_m2 = models.PositiveIntegerField(null=True, blank=True)
    minutes = models.PositiveSmallIntegerField(default=0, help_text="Added to the length of the visit.")
    pictures = models.PositiveSmallIntegerField(default=0, help_text="Pictures included, shown to the agent.")
    is_offered = models.BooleanField(default=True)
    position = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["position", "pk"]
        constraints = [models.UniqueConstraint(fields=["price_list", "code"], name="price_item_code_once")]

    def __str__(self) -> str:
        return self.name
