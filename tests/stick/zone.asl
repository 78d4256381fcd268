// A thermal zone whose temperature a program outside writes: tenths of a kelvin in the 16 bytes of the BIOS data area
// that are kept for programs to talk to one another (0040:00F0), and whether the mains is on in the next word.
DefinitionBlock ("zone.aml", "SSDT", 2, "BENCH", "HEATZONE", 1)
{
    OperationRegion (\BDAR, SystemMemory, 0x4F0, 8)
    Field (\BDAR, DWordAcc, NoLock, Preserve) { TENK, 32, ACON, 32 }

    Device (\_SB.MAIN)
    {
        Name (_HID, "ACPI0003")
        Name (_PCL, Package () { \_SB })
        Method (_STA) { Return (0x0F) }
        Method (_PSR) { Return (\ACON) }
    }
    ThermalZone (\_TZ.DIE)
    {
        Method (_TMP) { Return (\TENK) }
        Method (_CRT) { Return (3832) }     // 110 °C
        Name (_TZP, 10)
    }
}
